//! From the sheet as typed to the sheet that may be relied on.

use std::ops::Range;

use serde_spanned::Spanned;

use super::typed::{self, Number};
use super::{
    AssumedOfBattery, BatterySpec, Complaint, JobSheet, LoadSpec, Rating, Site, SleepLimits,
    SolarSpec, StateSpec, nearest, same_name,
};
use crate::fault::InputFault;
use crate::findings::LoadBehaviour;
use crate::loads::MeterSpec;

const BEHAVIOURS: [(&str, LoadBehaviour); 3] = [
    ("constant-power", LoadBehaviour::ConstantPower),
    ("constant-current", LoadBehaviour::ConstantCurrent),
    ("resistive", LoadBehaviour::Resistive),
];

/// What a number must be, and how to say so.
#[derive(Clone, Copy)]
enum Within {
    Positive,
    NotNegative,
    Range(f64, f64),
    /// Above the first, up to the second.
    UpTo(f64, f64),
}

impl Within {
    fn holds(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Positive => value > 0.0,
                Self::NotNegative => value >= 0.0,
                Self::Range(low, high) => (low..=high).contains(&value),
                Self::UpTo(low, high) => value > low && value <= high,
            }
    }

    fn in_words(self) -> String {
        match self {
            Self::Positive => "greater than 0".to_owned(),
            Self::NotNegative => "0 or more".to_owned(),
            Self::Range(low, high) => format!("from {low} to {high}"),
            Self::UpTo(low, high) => format!("greater than {low} and at most {high}"),
        }
    }
}

pub(super) struct Checker<'a> {
    pub(super) file: &'a str,
    pub(super) text: &'a str,
}

impl Checker<'_> {
    pub(super) fn sheet(&self, sheet: typed::Sheet) -> Result<JobSheet, InputFault> {
        let site = Site {
            name: sheet.site.name.as_ref().map(|name| self.name(name, "the site")).transpose()?,
            supply_voltage_v: self.number(
                "supply_voltage_v",
                &sheet.site.supply_voltage_v,
                Within::Positive,
            )?,
        };
        let mut loads: Vec<LoadSpec> = Vec::new();
        for load in &sheet.load {
            let name = self.name(&load.get_ref().name, "a load")?;
            if loads.iter().any(|known| same_name(&known.name, &name)) {
                return Err(self.fault(
                    load.get_ref().name.span(),
                    format!("the load \"{name}\" is listed twice"),
                    "keep one [[load]] a name and put its states under it as [[load.state]]",
                ));
            }
            loads.push(self.load(load.get_ref(), name, &site)?);
        }
        Ok(JobSheet {
            meter: sheet.meter.map(|meter| self.meter(&meter)).transpose()?,
            battery: sheet.battery.map(|battery| self.battery(&battery)).transpose()?,
            sleep: sheet.sleep.map(|sleep| self.sleep(&sleep)).transpose()?,
            solar: sheet.solar.map(|solar| self.solar(&solar)).transpose()?,
            complaint: sheet.complaint.map(|complaint| self.complaint(&complaint)).transpose()?,
            site,
            loads,
        })
    }

    fn load(&self, load: &typed::Load, name: String, site: &Site) -> Result<LoadSpec, InputFault> {
        if same_name(&name, "zero") {
            return Err(self.fault(
                load.name.span(),
                "a load named \"zero\"",
                "rename it: \"zero\" marks a zero check in the event list",
            ));
        }
        let behaves_as = load.behaves_as.as_ref().map(|kind| self.behaviour(kind)).transpose()?;
        let mut states: Vec<StateSpec> = Vec::new();
        for state in &load.state {
            let state = state.get_ref();
            let state_name = self.name(&state.name, "a state")?;
            if states.iter().any(|known| same_name(&known.name, &state_name)) {
                return Err(self.fault(
                    state.name.span(),
                    format!("the state \"{state_name}\" of \"{name}\" is listed twice"),
                    "give each state of a load a name of its own",
                ));
            }
            if ["off", "zero"].iter().any(|taken| same_name(taken, &state_name))
                || (same_name("on", &state_name) && !states.is_empty())
            {
                return Err(self.fault(
                    state.name.span(),
                    format!("a state named \"{state_name}\""),
                    "rename it: in the event list \"on\" means the load's first state, \"off\" that \
                     it draws nothing and \"zero\" a zero check",
                ));
            }
            states.push(self.state(state, state_name, site)?);
        }
        if let Some(state) = load.state.last() {
            let hours: f64 = states.iter().filter_map(|state| state.hours_per_day).sum();
            // 24 h written as thirds may add up to a little more.
            if hours > 24.01 {
                let last = state.get_ref();
                let span = last.hours_per_day.as_ref().map_or(last.name.span(), Spanned::span);
                return Err(self.fault(
                    span,
                    format!("the states of \"{name}\" add up to {hours} h a day"),
                    "make hours_per_day add up to 24 or less",
                ));
            }
        }
        Ok(LoadSpec { name, behaves_as, states })
    }

    fn behaviour(&self, kind: &Spanned<String>) -> Result<LoadBehaviour, InputFault> {
        let wanted = kind.get_ref().trim().to_lowercase().replace([' ', '_'], "-");
        let known = BEHAVIOURS.map(|(name, _)| name);
        match BEHAVIOURS.iter().find(|(name, _)| *name == wanted) {
            Some((_, behaviour)) => Ok(*behaviour),
            None => Err(self.fault(
                kind.span(),
                format!("unknown behaviour \"{}\"", kind.get_ref()),
                match nearest(&wanted, &known) {
                    Some(name) => format!("did you mean \"{name}\"?"),
                    None => {
                        "write \"constant-power\" (switching supply), \"constant-current\" (linear \
                         regulator) or \"resistive\" (heater)"
                            .to_owned()
                    }
                },
            )),
        }
    }

    fn state(
        &self,
        state: &typed::State,
        name: String,
        site: &Site,
    ) -> Result<StateSpec, InputFault> {
        let draw = |key, value| self.number(key, value, Within::NotNegative);
        let spec = StateSpec {
            specified_a: self.number("specified_a", &state.specified_a, Within::Positive)?,
            tolerance_percent: draw("tolerance_percent", &state.tolerance_percent)?,
            maximum_a: draw("maximum_a", &state.maximum_a)?,
            minimum_a: draw("minimum_a", &state.minimum_a)?,
            at_voltage_v: self.number("at_voltage_v", &state.at_voltage_v, Within::Positive)?,
            hours_per_day: self.number(
                "hours_per_day",
                &state.hours_per_day,
                Within::Range(0.0, 24.0),
            )?,
            name,
        };
        if let (Some(tolerance), None) = (&state.tolerance_percent, spec.specified_a) {
            return Err(self.fault(
                tolerance.span(),
                "tolerance_percent without specified_a",
                "add specified_a, the typical current that the tolerance is of, or give maximum_a \
                 instead",
            ));
        }
        if let (Some(low), Some(high), Some(at)) =
            (spec.minimum_a, spec.maximum_a, &state.minimum_a)
            && low > high
        {
            return Err(self.fault(
                at.span(),
                format!("minimum_a {low} is greater than maximum_a {high}"),
                "exchange them or correct one",
            ));
        }
        if let (Some(typical), Some(at)) = (spec.specified_a, &state.specified_a) {
            let outside = spec.maximum_a.is_some_and(|high| typical > high)
                || spec.minimum_a.is_some_and(|low| typical < low);
            if outside {
                return Err(self.fault(
                    at.span(),
                    format!("specified_a {typical} lies outside minimum_a and maximum_a"),
                    "correct the typical current or the limits",
                ));
            }
        }
        if let (Some(at), None) = (&state.at_voltage_v, site.supply_voltage_v) {
            return Err(self.fault(
                at.span(),
                "at_voltage_v, but the site's supply voltage is not given",
                "add supply_voltage_v under [site], so that the limit can be carried to it",
            ));
        }
        Ok(spec)
    }

    fn meter(&self, meter: &typed::Meter) -> Result<MeterSpec, InputFault> {
        Ok(MeterSpec {
            accuracy_percent_of_reading: self
                .number(
                    "accuracy_percent_of_reading",
                    &meter.accuracy_percent_of_reading,
                    Within::Range(0.0, 100.0),
                )?
                .unwrap_or(0.0),
            accuracy_counts: self
                .number("accuracy_counts", &meter.accuracy_counts, Within::NotNegative)?
                .unwrap_or(0.0),
            resolution_a: self.number("resolution_a", &meter.resolution_a, Within::Positive)?,
            zero_return_tolerance_a: self.number(
                "zero_return_tolerance_a",
                &meter.zero_return_tolerance_a,
                Within::Positive,
            )?,
        })
    }

    fn battery(&self, battery: &typed::Battery) -> Result<BatterySpec, InputFault> {
        let capacity_ah = self.value("capacity_ah", &battery.capacity_ah, Within::Positive)?;
        let rest = BatterySpec::of_capacity(capacity_ah);
        let rated_hours = self.number("rated_hours", &battery.rated_hours, Within::Positive)?;
        let exponent =
            self.number("peukert_exponent", &battery.peukert_exponent, Within::Range(1.0, 2.0))?;
        let usable =
            self.number("usable_fraction", &battery.usable_fraction, Within::UpTo(0.0, 1.0))?;
        let temperature_c =
            self.number("temperature_c", &battery.temperature_c, Within::Range(-60.0, 100.0))?;
        let temperature_factor = self.number(
            "temperature_factor",
            &battery.temperature_factor,
            Within::Range(0.5, 10.0),
        )?;
        if let (Some(factor), Some(celsius), Some(at)) =
            (temperature_factor, temperature_c, &battery.temperature_factor)
            && factor < 1.0
            && celsius < 25.0
        {
            return Err(self.fault(
                at.span(),
                format!(
                    "temperature_factor {factor} at {celsius} °C would add capacity in the cold"
                ),
                "the capacity is divided by this factor: write 1.33 where 75 % is left",
            ));
        }
        if let Some(at) =
            battery.ageing_factor.as_ref().filter(|f| (0.0..1.0).contains(f.get_ref()))
        {
            return Err(self.fault(
                at.span(),
                format!("ageing_factor {} would make an aged battery larger", at.get_ref()),
                "the capacity is divided by this factor: write 1.25 where 80 % is left",
            ));
        }
        let first = Rating { capacity_ah, hours: rated_hours.unwrap_or(rest.rated_hours) };
        let second = self.second_rating(battery, first)?;
        let exponent = exponent.or(second.map(|second| first.peukert_exponent_with(second)));
        Ok(BatterySpec {
            rated_hours: first.hours,
            peukert_exponent: exponent.unwrap_or(rest.peukert_exponent),
            usable_fraction: usable.unwrap_or(rest.usable_fraction),
            temperature_c,
            temperature_factor,
            ageing_factor: self.number(
                "ageing_factor",
                &battery.ageing_factor,
                Within::Range(1.0, 10.0),
            )?,
            self_discharge_percent_per_month: self.number(
                "self_discharge_percent_per_month",
                &battery.self_discharge_percent_per_month,
                Within::Range(0.0, 100.0),
            )?,
            age_years: self.number("age_years", &battery.age_years, Within::Range(0.0, 100.0))?,
            charging_efficiency: self.number(
                "charging_efficiency",
                &battery.charging_efficiency,
                Within::UpTo(0.0, 1.0),
            )?,
            second_rating: second,
            assumed: AssumedOfBattery {
                rated_hours: rated_hours.is_none(),
                peukert_exponent: exponent.is_none(),
                usable_fraction: usable.is_none(),
            },
            ..rest
        })
    }

    fn second_rating(
        &self,
        battery: &typed::Battery,
        first: Rating,
    ) -> Result<Option<Rating>, InputFault> {
        let capacity =
            self.number("second_capacity_ah", &battery.second_capacity_ah, Within::Positive)?;
        let hours =
            self.number("second_rated_hours", &battery.second_rated_hours, Within::Positive)?;
        let Some(at) = battery.second_capacity_ah.as_ref().or(battery.second_rated_hours.as_ref())
        else {
            return Ok(None);
        };
        let (Some(capacity_ah), Some(hours)) = (capacity, hours) else {
            return Err(self.fault(
                at.span(),
                "half of a second rating",
                "give second_capacity_ah and second_rated_hours together",
            ));
        };
        if let Some(exponent) = &battery.peukert_exponent {
            return Err(self.fault(
                exponent.span(),
                "peukert_exponent beside a second rating, which gives it too",
                "keep one of the two",
            ));
        }
        let second = Rating { capacity_ah, hours };
        let exponent = first.peukert_exponent_with(second);
        if !(1.0..=2.0).contains(&exponent) {
            return Err(self.fault(
                at.span(),
                format!("the two ratings give a Peukert exponent of {exponent:.2}"),
                "check both against the data sheet: the shorter the discharge, the smaller the \
                 capacity, and the exponent lies from 1 to 2",
            ));
        }
        Ok(Some(second))
    }

    fn sleep(&self, sleep: &typed::Sleep) -> Result<SleepLimits, InputFault> {
        let positive = |key, value| self.number(key, value, Within::Positive);
        Ok(SleepLimits {
            sleep_max_a: positive("sleep_max_a", &sleep.sleep_max_a)?,
            sleep_within_s: positive("sleep_within_s", &sleep.sleep_within_s)?,
            wake_charge_max_ah: positive("wake_charge_max_ah", &sleep.wake_charge_max_ah)?,
            awake_share_max: self.number(
                "awake_share_max",
                &sleep.awake_share_max,
                Within::Range(0.0, 1.0),
            )?,
        })
    }

    fn solar(&self, solar: &Spanned<typed::Solar>) -> Result<SolarSpec, InputFault> {
        let found = solar.get_ref();
        let spec = SolarSpec {
            panel_w: self.number("panel_w", &found.panel_w, Within::Positive)?,
            harvest_ah_per_day: self.number(
                "harvest_ah_per_day",
                &found.harvest_ah_per_day,
                Within::NotNegative,
            )?,
            sun_hours_per_day: self.number(
                "sun_hours_per_day",
                &found.sun_hours_per_day,
                Within::Range(0.0, 24.0),
            )?,
        };
        if let (Some(hours), None) = (&found.sun_hours_per_day, spec.panel_w) {
            return Err(self.fault(
                hours.span(),
                "sun_hours_per_day without panel_w",
                "add panel_w, the panel's rated power, or give harvest_ah_per_day instead",
            ));
        }
        Ok(spec)
    }

    fn complaint(&self, complaint: &typed::Complaint) -> Result<Complaint, InputFault> {
        let lasted_days = self.value("lasted_days", &complaint.lasted_days, Within::Positive)?;
        Ok(Complaint { lasted_days })
    }

    fn name(&self, name: &Spanned<String>, of: &str) -> Result<String, InputFault> {
        let trimmed = name.get_ref().trim();
        if trimmed.is_empty() {
            return Err(self.fault(
                name.span(),
                format!("the name of {of} is empty"),
                "write a name between the quotes; a load goes by its name in the event list",
            ));
        }
        if trimmed.chars().any(char::is_control) {
            return Err(self.fault(
                name.span(),
                format!("the name of {of} holds a line break or control character"),
                "write the name in one line of plain text",
            ));
        }
        Ok(trimmed.to_owned())
    }

    fn number(&self, key: &str, value: &Number, within: Within) -> Result<Option<f64>, InputFault> {
        value.as_ref().map(|value| self.value(key, value, within)).transpose()
    }

    fn value(&self, key: &str, value: &Spanned<f64>, within: Within) -> Result<f64, InputFault> {
        let number = *value.get_ref();
        if within.holds(number) {
            return Ok(number);
        }
        Err(self.fault(
            value.span(),
            format!("{key} is {number}"),
            format!("it must be {}", within.in_words()),
        ))
    }

    fn fault(
        &self,
        span: Range<usize>,
        found: impl Into<String>,
        advice: impl Into<String>,
    ) -> InputFault {
        InputFault::in_text(self.file, self.text, span, found, advice)
    }
}
