//! How a load's current follows its supply voltage: the one place for the three load models.

use crate::findings::LoadBehaviour;

/// Behaviour taken where nobody says: the electronics of battery-backed sites mostly sit behind
/// switching supplies (common practice, no source).
pub const ASSUMED_BEHAVIOUR: LoadBehaviour = LoadBehaviour::ConstantPower;

/// Carries a current from the supply voltage it was specified at to another.
///
/// | behaviour | model | current at `to_v` |
/// | --- | --- | --- |
/// | constant power | `I = P/V` | `I·from_v/to_v` |
/// | constant current | `I` | `I` |
/// | resistive | `I = V/R` | `I·to_v/from_v` |
///
/// Ohm's law and `P = V·I`; efficiency and resistance are taken as the same at both voltages.
/// `current_a` in ampere (of either sign), voltages in volt and positive: their reader has
/// checked them. O(1).
pub fn carry_current(current_a: f64, from_v: f64, to_v: f64, behaves_as: LoadBehaviour) -> f64 {
    match behaves_as {
        LoadBehaviour::ConstantPower => current_a * from_v / to_v,
        LoadBehaviour::ConstantCurrent => current_a,
        LoadBehaviour::Resistive => current_a * to_v / from_v,
    }
}

/// What carrying a current with a behaviour takes for granted, in words.
pub fn carrying_assumption(behaves_as: LoadBehaviour) -> &'static str {
    match behaves_as {
        LoadBehaviour::ConstantPower => {
            "constant power, as behind a switching supply: the current goes with 1/V; its \
             efficiency is taken as the same at both voltages"
        }
        LoadBehaviour::ConstantCurrent => {
            "constant current, as behind a linear regulator: the current does not follow the \
             voltage as long as the regulator holds"
        }
        LoadBehaviour::Resistive => {
            "resistive, as a heater: the current goes with V; the resistance is taken \
             as the same at both voltages"
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Check `loads` of shared/checks: 5 A at 12 V, textbook I = P/V, I = I0, I = V/R with
    // P = 60 W and R = 2.4 ohm (read in a secondary copy).
    #[test]
    fn the_three_textbook_loads_at_a_flat_and_a_charging_battery() {
        for (to_v, power, resistive) in
            [(10.5, 60.0 / 10.5, 10.5 / 2.4), (14.4, 60.0 / 14.4, 14.4 / 2.4)]
        {
            let at = |behaves_as| carry_current(5.0, 12.0, to_v, behaves_as);
            approx::assert_abs_diff_eq!(at(LoadBehaviour::ConstantPower), power, epsilon = 1e-12);
            approx::assert_abs_diff_eq!(at(LoadBehaviour::Resistive), resistive, epsilon = 1e-12);
            assert_eq!(at(LoadBehaviour::ConstantCurrent), 5.0);
        }
    }

    // Fact of the trade (common practice, no source): 30 mA at 24 V is 60 mA at 12 V.
    #[test]
    fn a_receiver_specified_at_24_v_draws_twice_as_much_at_12_v() {
        let at_12_v = carry_current(0.030, 24.0, 12.0, LoadBehaviour::ConstantPower);
        approx::assert_relative_eq!(at_12_v, 0.060, max_relative = 1e-15);
    }
}
