//! The itemised uncertainty of a draw (JCGM 100:2008).

use nalgebra::DVector;

use super::solve::Fit;
use crate::findings::{CommonTo, EvaluationType, UncertaintyItem};
use crate::numeric::{coverage_factor_95, rectangular, welch_satterthwaite};

/// What is known of the meter, with the resolution settled.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Meter {
    /// Half-width, share of reading.
    pub(super) gain: f64,
    /// Half-width, ampere.
    pub(super) counts_a: f64,
    /// Step of the readings, ampere.
    pub(super) resolution_a: f64,
}

/// A quantity with its budget.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Combined {
    pub(super) standard_uncertainty_a: f64,
    pub(super) degrees_of_freedom: Option<f64>,
    pub(super) coverage_factor: f64,
    pub(super) items: Vec<UncertaintyItem>,
}

fn item(
    source: impl Into<String>,
    evaluation: EvaluationType,
    distribution: &str,
    u_a: f64,
    df: Option<f64>,
    common_to: CommonTo,
) -> UncertaintyItem {
    UncertaintyItem {
        source: source.into(),
        evaluation,
        distribution: distribution.to_owned(),
        standard_uncertainty_a: u_a,
        degrees_of_freedom: df,
        share: 0.0,
        common_to,
    }
}

/// Adds independent components up and gives each its share.
pub(super) fn combine(mut items: Vec<UncertaintyItem>) -> Combined {
    items.retain(|item| item.standard_uncertainty_a > 0.0);
    let variance: f64 = items.iter().map(|i| i.standard_uncertainty_a.powi(2)).sum();
    for item in &mut items {
        item.share = item.standard_uncertainty_a.powi(2) / variance;
    }
    items.sort_by(|a, b| b.share.total_cmp(&a.share));
    let parts: Vec<(f64, Option<f64>)> =
        items.iter().map(|i| (i.standard_uncertainty_a, i.degrees_of_freedom)).collect();
    let degrees_of_freedom = welch_satterthwaite(&parts);
    Combined {
        standard_uncertainty_a: variance.sqrt(),
        degrees_of_freedom,
        coverage_factor: coverage_factor_95(degrees_of_freedom),
        items,
    }
}

/// The budget of `aᵀβ`, a draw of `draw_a`. `patterns` gives rows that show the same level one
/// number: their rounding error is one and the same.
pub(super) fn of_draw(
    fit: &Fit,
    a: &DVector<f64>,
    draw_a: f64,
    patterns: &[usize],
    meter: &Meter,
) -> Combined {
    let rows = &fit.design.rows;
    let weights = fit.weights(a);
    let noise: f64 =
        weights.iter().zip(&rows.noise_a2).map(|(c, v)| c * c * v).sum::<f64>() * fit.noise_scale;
    let alone: f64 = weights.iter().zip(&rows.rounding_a2).map(|(c, v)| c * c * v).sum();
    let wander = (fit.variance(a) - noise - alone).max(0.0);
    let (mean, df) = fit.estimated_variance(a);
    // The two are estimated together: they share their mean variance, and each carries the degrees
    // of freedom with which Welch-Satterthwaite returns those of their sum.
    let factor = ((mean - alone) / (noise + wander)).max(0.0);
    let (noise, wander) = (noise * factor, wander * factor);
    let df = df.map(|df| df * (noise * noise + wander * wander) / (noise + wander).powi(2));
    let mut by_pattern = vec![0.0; patterns.iter().max().map_or(0, |m| m + 1)];
    for (k, c) in weights.iter().enumerate() {
        by_pattern[patterns[k]] += c * rows.rounding_a2[k].sqrt();
    }
    let rounding: f64 = by_pattern.iter().map(|sum| sum * sum).sum();
    use CommonTo::{Capture, Draw, Meter as OfMeter};
    use EvaluationType::{A, B};
    combine(vec![
        item("noise of the readings", A, "Student", noise.sqrt(), df, Draw),
        item("wander of the zero between stretches", A, "Student", wander.sqrt(), df, Capture),
        item("resolution", B, "rectangular", rounding.sqrt(), None, Draw),
        item(
            format!("meter accuracy, {} % of reading", (1e5 * meter.gain).round() / 1e3),
            B,
            "rectangular",
            rectangular(meter.gain * draw_a),
            None,
            OfMeter,
        ),
        item("meter accuracy, counts", B, "rectangular", rectangular(meter.counts_a), None, Draw),
    ])
}
