//! A specified current at another supply voltage.

use crate::findings::{LoadBehaviour, ScaleFindings, ScaledCurrent};
use crate::jobsheet::{carry_current, carrying_assumption};

/// Carries `current_a`, specified at `from_v`, to `to_v`, and shows what the other behaviours
/// would give, because the choice can change a verdict.
///
/// The models stand in [`carry_current`]. Ampere and volt; voltages finite and positive, checked
/// by whoever reads them. O(1).
pub fn scale(current_a: f64, from_v: f64, to_v: f64, behaves_as: LoadBehaviour) -> ScaleFindings {
    let other_behaviours =
        [LoadBehaviour::ConstantPower, LoadBehaviour::ConstantCurrent, LoadBehaviour::Resistive]
            .into_iter()
            .filter(|other| *other != behaves_as)
            .map(|other| ScaledCurrent {
                behaves_as: other,
                to_a: carry_current(current_a, from_v, to_v, other),
            })
            .collect();
    ScaleFindings {
        schema: "ebbmark.scale/1".to_owned(),
        from_a: current_a,
        from_v,
        to_v,
        behaves_as,
        to_a: carry_current(current_a, from_v, to_v, behaves_as),
        assumption: carrying_assumption(behaves_as).to_owned(),
        other_behaviours,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Facts of the trade (common practice, no source): 30 mA specified at 24 V is 60 mA at 12 V
    // for constant power, so 20 mA is sound and 170 mA is a fault whichever way it behaves.
    #[test]
    fn every_behaviour_is_shown_and_the_assumption_is_said() {
        let found = scale(0.030, 24.0, 12.0, LoadBehaviour::ConstantPower);
        assert_eq!(found.to_a, 0.060);
        assert!(found.assumption.contains("constant power"));
        let others: Vec<_> =
            found.other_behaviours.iter().map(|o| (o.behaves_as, o.to_a)).collect();
        assert_eq!(
            others,
            [(LoadBehaviour::ConstantCurrent, 0.030), (LoadBehaviour::Resistive, 0.015)]
        );
    }
}
