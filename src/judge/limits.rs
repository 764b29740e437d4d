//! Limits of a state, as listed and carried to the site's supply voltage.

use crate::findings::{Caution, LoadBehaviour};
use crate::jobsheet::{JobSheet, LoadSpec, StateSpec, carry_current};

/// Every way a load may follow the voltage, for loads of which nobody says.
pub(super) const BEHAVIOURS: [LoadBehaviour; 3] =
    [LoadBehaviour::ConstantPower, LoadBehaviour::ConstantCurrent, LoadBehaviour::Resistive];

/// Extra-low voltage ends here for direct current without ripple (IEC 61140; common practice, from memory), volt.
const EXTRA_LOW_V: f64 = 120.0;

/// A caution where the job sheet's voltages are above extra-low: most likely a slip of the pen.
pub(super) fn beyond_extra_low_voltage(sheet: &JobSheet) -> Option<Caution> {
    let states = sheet.loads.iter().flat_map(|load| &load.states);
    let all = sheet.site.supply_voltage_v.into_iter().chain(states.filter_map(|s| s.at_voltage_v));
    let highest_v = all.fold(0.0, f64::max);
    (highest_v > EXTRA_LOW_V).then(|| {
        Caution::new(
            "above-extra-low-voltage",
            format!(
                "The job sheet names a supply of {highest_v} V, above the {EXTRA_LOW_V} V up to which direct current \
                 counts as extra-low voltage: check the figure, for limits are carried by it."
            ),
        )
    })
}

/// What a draw may be.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Limits {
    /// Typical draw, ampere.
    pub(super) specified_a: Option<f64>,
    /// Least, ampere.
    pub(super) low_a: Option<f64>,
    /// Most, ampere.
    pub(super) high_a: Option<f64>,
}

impl Limits {
    /// True with at least one limit.
    pub(super) fn any(&self) -> bool {
        self.low_a.is_some() || self.high_a.is_some()
    }

    fn map(self, f: impl Fn(f64) -> f64) -> Self {
        Self {
            specified_a: self.specified_a.map(&f),
            low_a: self.low_a.map(&f),
            high_a: self.high_a.map(&f),
        }
    }
}

/// How the limits came to the site's voltage.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Carried {
    /// Limits that a verdict has to hold against: one, or one for each behaviour that is possible.
    pub(super) candidates: Vec<(Option<LoadBehaviour>, Limits)>,
    /// As listed.
    pub(super) listed: Limits,
    /// Voltage of the listed figures, volt.
    pub(super) listed_at_v: Option<f64>,
    /// True when the listed voltage differs from the site's and the sheet does not say how the load behaves.
    pub(super) behaviour_unknown: bool,
    /// True when the sheet lists a voltage but not the site's.
    pub(super) site_unknown: bool,
}

impl Carried {
    /// The widest limits among the candidates, for the row.
    pub(super) fn widest(&self) -> Limits {
        let pick = |of: &dyn Fn(&Limits) -> Option<f64>, best: fn(f64, f64) -> f64| {
            self.candidates.iter().filter_map(|(_, limits)| of(limits)).reduce(best)
        };
        Limits {
            specified_a: match self.candidates.as_slice() {
                [(_, only)] => only.specified_a,
                _ => None,
            },
            low_a: pick(&|l| l.low_a, f64::min),
            high_a: pick(&|l| l.high_a, f64::max),
        }
    }
}

/// Limits of one state as the sheet lists them: `specified ± tolerance`, cut by `minimum` and `maximum`.
fn listed(state: &StateSpec) -> Limits {
    let band = state.specified_a.zip(state.tolerance_percent);
    let toleranced = |sign: f64| band.map(|(a, percent)| a * (1.0 + sign * percent / 100.0));
    let tighter = |a: Option<f64>, b: Option<f64>, pick: fn(f64, f64) -> f64| match (a, b) {
        (Some(a), Some(b)) => Some(pick(a, b)),
        (a, b) => a.or(b),
    };
    Limits {
        specified_a: state.specified_a,
        // A tolerance of 100 % or more sets no lower limit.
        low_a: tighter(toleranced(-1.0).filter(|a| *a > 0.0), state.minimum_a, f64::max),
        high_a: tighter(toleranced(1.0), state.maximum_a, f64::min),
    }
}

/// Carries a state's limits to the site.
pub(super) fn carry(load: &LoadSpec, state: &StateSpec, sheet: &JobSheet) -> Carried {
    let listed = listed(state);
    let site_v = sheet.site.supply_voltage_v;
    let (from_v, to_v) = match (state.at_voltage_v, site_v) {
        (Some(from_v), Some(to_v)) if from_v != to_v => (from_v, to_v),
        (from_v, _) => {
            return Carried {
                candidates: vec![(load.behaves_as, listed)],
                listed,
                listed_at_v: from_v.or(site_v),
                behaviour_unknown: false,
                site_unknown: from_v.is_some() && site_v.is_none(),
            };
        }
    };
    let behaviours = match &load.behaves_as {
        Some(known) => std::slice::from_ref(known),
        None => &BEHAVIOURS,
    };
    let candidates = behaviours
        .iter()
        .map(|&behaviour| {
            (Some(behaviour), listed.map(|a| carry_current(a, from_v, to_v, behaviour)))
        })
        .collect();
    Carried {
        candidates,
        listed,
        listed_at_v: Some(from_v),
        behaviour_unknown: load.behaves_as.is_none(),
        site_unknown: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn state() -> StateSpec {
        StateSpec {
            name: "standby".to_owned(),
            specified_a: Some(0.040),
            tolerance_percent: Some(20.0),
            maximum_a: None,
            minimum_a: None,
            at_voltage_v: Some(24.0),
            hours_per_day: None,
        }
    }

    fn sheet(site_v: f64) -> JobSheet {
        let mut sheet = JobSheet::default();
        sheet.site.supply_voltage_v = Some(site_v);
        sheet
    }

    #[test]
    fn a_radio_specified_at_24_v_may_draw_96_ma_at_12_v() {
        let load = LoadSpec {
            name: "radio".to_owned(),
            behaves_as: Some(LoadBehaviour::ConstantPower),
            states: vec![state()],
        };
        let carried = carry(&load, &load.states[0], &sheet(12.0));
        assert_relative_eq!(carried.widest().high_a.unwrap(), 0.096, max_relative = 1e-12);
        assert_relative_eq!(carried.widest().low_a.unwrap(), 0.064, max_relative = 1e-12);
        assert_eq!(carried.listed_at_v, Some(24.0));
    }

    #[test]
    fn an_unknown_behaviour_leaves_three_possible_limits() {
        let load = LoadSpec { name: "radio".to_owned(), behaves_as: None, states: vec![state()] };
        let carried = carry(&load, &load.states[0], &sheet(12.0));
        assert!(carried.behaviour_unknown);
        assert_eq!(carried.candidates.len(), 3);
        assert_relative_eq!(carried.widest().high_a.unwrap(), 0.096, max_relative = 1e-12);
        assert_relative_eq!(carried.widest().low_a.unwrap(), 0.016, max_relative = 1e-12);
        assert!(!carry(&load, &load.states[0], &sheet(24.0)).behaviour_unknown);
    }

    #[test]
    fn the_tighter_of_tolerance_and_maximum_holds() {
        let tight = StateSpec { maximum_a: Some(0.045), minimum_a: Some(0.001), ..state() };
        assert_relative_eq!(listed(&tight).high_a.unwrap(), 0.045);
        assert_relative_eq!(listed(&tight).low_a.unwrap(), 0.032);
        let typical = StateSpec { tolerance_percent: None, ..state() };
        assert!(!listed(&typical).any());
    }
}
