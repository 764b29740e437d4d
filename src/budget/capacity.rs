//! From a battery's rating to the charge it gives up, every factor with its source.

use super::temperature::sizing_factor;
use crate::findings::{Caution, Factor};
use crate::jobsheet::BatterySpec;

/// Hours of a mean month, 365.25 days / 12.
const HOURS_PER_MONTH: f64 = 365.25 * 24.0 / 12.0;

/// Below this share of the rated current the rating's own range is left far enough to say so.
const FAR_BELOW_RATED: f64 = 0.5;

/// A sound battery, ready to be asked how long it carries a current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SoundBattery {
    spec: BatterySpec,
    /// What the capacity is divided by for temperature and age together.
    derating: f64,
}

impl SoundBattery {
    pub(super) fn new(spec: BatterySpec) -> Self {
        let temperature = spec.temperature_factor.unwrap_or_else(|| {
            spec.temperature_c.map_or(1.0, |celsius| sizing_factor(celsius).value)
        });
        Self { spec, derating: temperature * spec.ageing_factor.unwrap_or(1.0) }
    }

    /// Share of the rated capacity that a steady current leaves available, 0 to 1.
    ///
    /// Hour-rate Peukert `t = H (C/(I·H))ᵏ` gives `I·t/C = (C/(I·H))^(k−1)`. Below the rated
    /// current `C/H` this exceeds 1 without data behind it, so it is held at 1.
    pub(super) fn peukert_share(&self, current_a: f64) -> f64 {
        let rated_a = self.spec.capacity_ah / self.spec.rated_hours;
        (rated_a / current_a).powf(self.spec.peukert_exponent - 1.0).min(1.0)
    }

    /// Charge given up from full to the end of the usable share at a steady current, ampere-hours.
    pub(super) fn usable_ah(&self, current_a: f64) -> f64 {
        self.spec.capacity_ah * self.peukert_share(current_a) * self.spec.usable_fraction
            / self.derating
    }

    /// Self-discharge as a steady current, ampere. It falls as the battery empties; taking it at
    /// its full value throughout errs to the short side.
    pub(super) fn self_discharge_a(&self) -> f64 {
        let percent = self.spec.self_discharge_percent_per_month.unwrap_or(0.0);
        self.spec.capacity_ah * percent / 100.0 / HOURS_PER_MONTH
    }

    /// Share of the charge put in that comes out again.
    pub(super) fn charging_efficiency(&self) -> f64 {
        self.spec.charging_efficiency.unwrap_or(CHARGING_EFFICIENCY)
    }

    /// Share of the capacity that may be used.
    pub(super) fn usable_fraction(&self) -> f64 {
        self.spec.usable_fraction
    }

    /// Hours that the battery carries `draw_a` while `incoming_a` comes in; `None` when it never
    /// empties. Peukert sees the whole draw: at night nothing comes in.
    pub(super) fn runtime_h(&self, draw_a: f64, incoming_a: f64) -> Option<f64> {
        let net_a = draw_a + self.self_discharge_a() - incoming_a;
        (draw_a > 0.0 && net_a > 0.0).then(|| self.usable_ah(draw_a) / net_a)
    }

    /// Every factor, in the order in which they are multiplied in.
    pub(super) fn factors(&self, draw_a: f64) -> Vec<Factor> {
        let spec = &self.spec;
        let mut all = vec![
            factor("rated capacity", spec.capacity_ah, Some("Ah"), SHEET),
            factor(
                "hours of the rating",
                spec.rated_hours,
                Some("h"),
                given(!spec.assumed.rated_hours, "assumed: the usual rating (common practice)"),
            ),
            factor(
                "Peukert exponent",
                spec.peukert_exponent,
                None,
                match spec.second_rating {
                    Some(_) => "found from the job sheet's two ratings, ln(t2/t1)/ln(I1/I2)",
                    None => given(
                        !spec.assumed.peukert_exponent,
                        "not given: no loss at higher currents is taken",
                    ),
                },
            ),
        ];
        if draw_a > 0.0 {
            all.push(factor("mean draw", draw_a, Some("A"), "ampere-hours a day over 24 h"));
            all.push(factor(
                "share of the rated capacity at that draw",
                self.peukert_share(draw_a),
                None,
                "hour-rate Peukert, (C/(I·H))^(k−1), never above 1",
            ));
        }
        if let Some(celsius) = spec.temperature_c {
            all.push(factor("temperature", celsius, Some("°C"), SHEET));
        }
        all.push(match (spec.temperature_factor, spec.temperature_c) {
            (Some(value), _) => factor("divided for temperature by", value, None, SHEET),
            (None, Some(celsius)) => {
                let found = sizing_factor(celsius);
                factor("divided for temperature by", found.value, None, found.source)
            }
            (None, None) => factor(
                "divided for temperature by",
                1.0,
                None,
                "no temperature given: that of the rating is taken",
            ),
        });
        all.push(factor(
            "divided for age by",
            spec.ageing_factor.unwrap_or(1.0),
            None,
            given(spec.ageing_factor.is_some(), "not given: as new is taken"),
        ));
        all.push(factor(
            "usable share",
            spec.usable_fraction,
            None,
            given(!spec.assumed.usable_fraction, "not given: down to empty is taken"),
        ));
        all.push(factor(
            "self-discharge",
            self.self_discharge_a() * 24.0,
            Some("Ah/day"),
            given(
                spec.self_discharge_percent_per_month.is_some(),
                "not given: none is taken (3 % to 5 % a month is common for lead-acid)",
            ),
        ));
        all
    }

    /// What the factors do not cover.
    pub(super) fn cautions(&self, draw_a: f64) -> Vec<Caution> {
        let mut all = Vec::new();
        let rated_a = self.spec.capacity_ah / self.spec.rated_hours;
        if draw_a > 0.0 && draw_a < FAR_BELOW_RATED * rated_a {
            all.push(Caution::new(
                "beyond-peukert",
                format!(
                    "the mean draw is {:.2} of the current that the battery is rated at: so far \
                     below it Peukert's relation has no data behind it, and no more than the rated \
                     capacity is credited",
                    draw_a / rated_a
                ),
            ));
        }
        if let (None, Some(celsius)) = (self.spec.temperature_factor, self.spec.temperature_c) {
            if sizing_factor(celsius).outside {
                all.push(Caution::new(
                    "temperature-outside-table",
                    format!(
                        "{celsius} °C is outside the published figures and the nearest is used: \
                         give temperature_factor from the battery's data sheet"
                    ),
                ));
            }
            if celsius < 0.0 {
                all.push(Caution::new(
                    "may-freeze",
                    "a discharged lead-acid battery freezes at a few degrees below 0 °C: never \
                     charge one that is frozen (common practice)",
                ));
            }
        }
        if let (Some(years), None) = (self.spec.age_years, self.spec.ageing_factor) {
            all.push(Caution::new(
                "age-not-counted",
                format!(
                    "the battery is {years} years old and counted as new: years alone do not tell \
                     its capacity; ageing_factor = 1.25 counts it at 80 %, where IEEE Std 450 calls \
                     for replacement (from memory)"
                ),
            ));
        }
        all
    }
}

/// Charge given back for charge put in by lead-acid batteries, taken where nobody says: 0.85 to
/// 0.95 (common practice, no source).
pub(super) const CHARGING_EFFICIENCY: f64 = 0.9;

pub(super) const SHEET: &str = "job sheet";

pub(super) fn given(is_given: bool, otherwise: &'static str) -> &'static str {
    if is_given { SHEET } else { otherwise }
}

pub(super) fn factor(name: &str, value: f64, unit: Option<&str>, source: &str) -> Factor {
    Factor {
        name: name.to_owned(),
        value,
        source: source.to_owned(),
        unit: unit.map(str::to_owned),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    fn battery(capacity_ah: f64, rated_hours: f64, peukert_exponent: f64) -> SoundBattery {
        SoundBattery::new(BatterySpec {
            rated_hours,
            peukert_exponent,
            ..BatterySpec::of_capacity(capacity_ah)
        })
    }

    // Check `peukert-hour`: 100 Ah at 20 h, k = 1.2, 10 A: 8.7 h (encyclopedia example on
    // Peukert's law, from memory).
    #[test]
    fn the_hour_rate_example() {
        let runtime_h = battery(100.0, 20.0, 1.2).runtime_h(10.0, 0.0).unwrap();
        assert_abs_diff_eq!(runtime_h, 8.7, epsilon = 0.05);
    }

    // Check `peukert-forms` (computed, no published figure): the label's own current gives the
    // label's own hours; the one-ampere form misused on that label would give 14.5 h.
    #[test]
    fn the_rating_itself_is_met() {
        assert_relative_eq!(battery(100.0, 20.0, 1.2).runtime_h(5.0, 0.0).unwrap(), 20.0);
        let misused_h = 100.0 / 5f64.powf(1.2);
        assert_abs_diff_eq!(misused_h, 14.5, epsilon = 0.05);
    }

    // Checks `peukert-1A-1` (electrotechnik.net), `peukert-1A-2` and `peukert-cap`
    // (easycalculation.com), read in secondary copies: capacities at 1 A are ratings of C hours.
    #[test]
    fn one_ampere_ratings_are_hour_ratings_of_as_many_hours() {
        let first = battery(100.0, 100.0, 1.2).runtime_h(5.0, 0.0).unwrap();
        assert_abs_diff_eq!(first, 14.5, epsilon = 0.05);
        let second = battery(250.0, 250.0, 1.3);
        assert_abs_diff_eq!(second.runtime_h(20.0, 0.0).unwrap(), 5.088_631_644, epsilon = 1e-8);
        assert_abs_diff_eq!(second.usable_ah(20.0), 101.772_632_884, epsilon = 1e-7);
    }

    #[test]
    fn below_the_rated_current_no_more_than_the_rating_is_credited() {
        let battery = battery(18.0, 20.0, 1.15);
        assert_relative_eq!(battery.runtime_h(0.018, 0.0).unwrap(), 1000.0);
        let codes: Vec<_> = battery.cautions(0.018).into_iter().map(|c| c.code).collect();
        assert_eq!(codes, ["beyond-peukert"]);
        assert!(battery.cautions(0.9).is_empty());
    }

    #[test]
    fn self_discharge_alone_empties_a_month_of_percents() {
        let battery = SoundBattery::new(BatterySpec {
            self_discharge_percent_per_month: Some(3.0),
            ..BatterySpec::of_capacity(18.0)
        });
        // 0.54 Ah in 730.5 h.
        assert_relative_eq!(battery.self_discharge_a() * 730.5, 0.54, max_relative = 1e-12);
        // As much again by the load halves the time.
        let load_a = battery.self_discharge_a();
        let runtime_h = battery.runtime_h(load_a, 0.0).unwrap();
        assert_relative_eq!(runtime_h, 18.0 / (2.0 * load_a), max_relative = 1e-12);
        assert_eq!(battery.runtime_h(load_a, 3.0 * load_a), None);
        assert_eq!(battery.runtime_h(0.0, 0.0), None);
    }
}
