//! The doubt of a draw, and how the doubts of several add up over a day.

use crate::findings::{CommonTo, LoadRow};
use crate::numeric::{coverage_factor_95, welch_satterthwaite};

/// Standard uncertainties of one quantity, in its own unit, by what has the error in common.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Doubt {
    /// Of the meter's gain: the same relative error in every draw.
    pub(crate) meter: f64,
    /// Of the capture's zero.
    pub(crate) capture: f64,
    /// Of this draw alone, with degrees of freedom.
    pub(crate) own: Vec<(f64, Option<f64>)>,
}

impl Doubt {
    /// The parts of a load's uncertainty budget, ampere; its combined value where it has no parts.
    pub(crate) fn of_load(row: &LoadRow) -> Self {
        if row.uncertainty_budget.is_empty() {
            return Self { own: vec![(row.standard_uncertainty_a, None)], ..Self::default() };
        }
        let common = |to: CommonTo| {
            let items = row.uncertainty_budget.iter().filter(|item| item.common_to == to);
            items.map(|item| item.standard_uncertainty_a.powi(2)).sum::<f64>().sqrt()
        };
        Self {
            meter: common(CommonTo::Meter),
            capture: common(CommonTo::Capture),
            own: row
                .uncertainty_budget
                .iter()
                .filter(|item| item.common_to == CommonTo::Draw)
                .map(|item| (item.standard_uncertainty_a, item.degrees_of_freedom))
                .collect(),
        }
    }

    /// Adds a draw of so many hours. Errors of the meter and of the capture add up linearly, being
    /// one and the same in every draw (GUM 5.2.2, note 1), the rest in squares.
    pub(super) fn add(&mut self, hours: f64, draw: &Self) {
        self.meter += hours * draw.meter;
        self.capture += hours * draw.capture;
        self.own.extend(draw.own.iter().map(|(u, dof)| (hours * u, *dof)));
    }

    /// Combined standard uncertainty.
    pub(crate) fn combined(&self) -> f64 {
        let own: f64 = self.own.iter().map(|(u, _)| u * u).sum();
        (self.meter.powi(2) + self.capture.powi(2) + own).sqrt()
    }

    /// Expanded uncertainty, about 95 %, with the effective degrees of freedom of
    /// Welch and Satterthwaite (GUM G.4).
    pub(super) fn expanded(&self) -> f64 {
        let shared = [(self.meter, None), (self.capture, None)];
        let parts: Vec<_> = self.own.iter().copied().chain(shared).collect();
        self.combined() * coverage_factor_95(welch_satterthwaite(&parts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};

    // Check `gum-g41`: GUM G.4.1, relative 0.25, 0.57, 0.82 % with 9, 4 and 14 degrees of freedom:
    // 1.03 %, 19 effective, factor 2.09, expanded 2.2 % (from memory).
    #[test]
    fn the_three_inputs_of_the_guide() {
        let mut day = Doubt::default();
        for (u, dof) in [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)] {
            day.add(1.0, &Doubt { own: vec![(u, Some(dof))], ..Doubt::default() });
        }
        assert_abs_diff_eq!(day.combined(), 1.03, epsilon = 0.005);
        assert_abs_diff_eq!(day.expanded(), 2.2, epsilon = 0.05);
    }

    #[test]
    fn a_shared_gain_error_adds_up_and_noise_averages_out() {
        let mut day = Doubt::default();
        let shared = Doubt { meter: 0.1, ..Doubt::default() };
        let own = Doubt { own: vec![(0.1, None)], ..Doubt::default() };
        (0..4).for_each(|_| day.add(2.0, &shared));
        assert_relative_eq!(day.combined(), 0.8, max_relative = 1e-12);
        let mut day = Doubt::default();
        (0..4).for_each(|_| day.add(2.0, &own));
        assert_relative_eq!(day.combined(), 0.4, max_relative = 1e-12);
    }
}
