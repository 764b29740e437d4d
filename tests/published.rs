//! Published values that the project is checked against, each beside its source and how it was
//! read. The data lie in `shared/checks`; `shared/README.md` names where each file is from.

use std::path::Path;

use approx::assert_relative_eq;
use ebbmark::capture::{self, Samples, TimeAxis};
use ebbmark::findings::LoadBehaviour;
use ebbmark::jobsheet;
use ebbmark::numeric::{
    Moments, coverage_factor_95, effective_samples, lag1_autocorrelation, student_quantile,
};
use ebbmark::segment::{self, Wishes};

fn shared(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/checks").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Numbers of one column of a table with a header.
fn column(name: &str, place: usize) -> Vec<f64> {
    let text = shared(name);
    let cells = text.lines().skip(1).map(|line| line.split(',').nth(place).unwrap().trim());
    cells.map(|cell| cell.parse().unwrap()).collect()
}

/// NIST Statistical Reference Datasets, univariate summary statistics: certified mean, standard
/// deviation and lag-1 autocorrelation (read in a secondary copy, recomputed in exact rationals).
///
/// The data of NumAcc3 and NumAcc4, written in binary, no longer are the decimal ones: the best
/// that double precision can reach is 1e-9 and 1e-8 on their standard deviation, and 1e-8 on the
/// lag-1 of NumAcc2 to 4. All else is asked to 1e-13.
#[test]
fn strd_mean_sd_and_lag1() {
    let certified: serde_json::Value = serde_json::from_str(&shared("strd.json")).unwrap();
    let sets = certified.as_object().unwrap();
    assert_eq!(sets.len(), 9);
    for (name, values) in sets {
        let y = column(&format!("strd_{name}.csv"), 0);
        let figure = |key: &str| values[key].as_str().unwrap().parse::<f64>().unwrap();
        assert_eq!(y.len() as u64, values["n"].as_u64().unwrap(), "{name}");
        let (sd_tolerance, lag1_tolerance) = match name.as_str() {
            "NumAcc2" => (1e-13, 1e-8),
            "NumAcc3" => (1e-9, 1e-8),
            "NumAcc4" => (1e-8, 1e-8),
            _ => (1e-13, 1e-13),
        };
        let moments = Moments::of(&y).unwrap();
        println!("{name}");
        assert_relative_eq!(moments.mean, figure("mean"), max_relative = 1e-13);
        assert_relative_eq!(moments.sd.unwrap(), figure("sd"), max_relative = sd_tolerance);
        let lag1 = lag1_autocorrelation(&y).unwrap();
        assert_relative_eq!(lag1, figure("lag1"), max_relative = lag1_tolerance);
    }
}

/// JCGM 100:2008, Table G.2, values of t_p(ν), printed to two decimals or four digits (read in a
/// secondary copy).
#[test]
fn gum_table_g2_student_factors() {
    let cells: [(Option<f64>, f64, f64); 12] = [
        (Some(1.0), 0.6827, 1.84),
        (Some(1.0), 0.95, 12.71),
        (Some(1.0), 0.9973, 235.8),
        (Some(2.0), 0.9973, 19.21),
        (Some(5.0), 0.9973, 5.51),
        (Some(10.0), 0.90, 1.81),
        (Some(11.0), 0.99, 3.11),
        (Some(19.0), 0.95, 2.09),
        (Some(20.0), 0.90, 1.72),
        (Some(20.0), 0.95, 2.09),
        (None, 0.9545, 2.000),
        (None, 0.9973, 3.000),
    ];
    for (df, p, printed) in cells {
        let t = student_quantile(0.5 + p / 2.0, df);
        // Half a unit of the last printed digit, and what 68.27 % and 99.73 % are rounded from.
        assert!((t - printed).abs() < 0.0051 + 3e-4 * printed, "{df:?} {p}: {t} for {printed}");
    }
    assert!((coverage_factor_95(Some(19.0)) - 2.09).abs() < 0.005);
    assert!((coverage_factor_95(None) - 1.960).abs() < 0.0005);
}

/// Variance of the mean of AR(1) readings: asymptotic (1+ρ)/(1−ρ) after C. Geyer, Univ. of
/// Minnesota, notes to Stat 8054, and the exact finite sum 1 + 2 Σ (1 − k/n) ρᵏ (both read in
/// secondary copies; the table was computed from them independently of this project).
#[test]
fn effective_samples_of_ar1_readings() {
    let (n, rho) = (column("ar1_neff.csv", 0), column("ar1_neff.csv", 1));
    let (asymptotic, exact) = (column("ar1_neff.csv", 2), column("ar1_neff.csv", 3));
    assert!(n.len() > 15);
    for i in 0..n.len() {
        assert_relative_eq!(effective_samples(n[i], rho[i]), exact[i], max_relative = 1e-9);
    }
    for rho_wanted in [0.5, 0.9] {
        let last = (0..n.len()).rev().find(|&i| rho[i] == rho_wanted).unwrap();
        assert_relative_eq!(
            effective_samples(1e9, rho_wanted) / 1e9 * n[last],
            asymptotic[last],
            max_relative = 1e-7
        );
    }
    // Innovation variance 1 at φ = 0.5 and n = 100: var(mean) = 0.0394666… (freakonometrics
    // 15481, function V, read in a secondary copy).
    let variance = 1.0 / (1.0 - 0.25);
    assert_relative_eq!(
        variance / effective_samples(100.0, 0.5),
        0.039466666666666664,
        max_relative = 1e-13
    );
}

/// How a current follows the voltage: I = P/V, I = I₀, I = V/R (textbook). 5 A at 12 V.
#[test]
fn loads_at_another_voltage() {
    for volts in [10.5, 14.4] {
        let carried = |kind| jobsheet::carry_current(5.0, 12.0, volts, kind);
        assert_relative_eq!(
            carried(LoadBehaviour::ConstantPower),
            60.0 / volts,
            max_relative = 1e-14
        );
        assert_relative_eq!(carried(LoadBehaviour::ConstantCurrent), 5.0, max_relative = 1e-14);
        assert_relative_eq!(carried(LoadBehaviour::Resistive), volts / 2.4, max_relative = 1e-14);
    }
    // Common practice, no source: 30 mA specified at 24 V is 60 mA at 12 V for a switching supply.
    let carried = jobsheet::carry_current(0.030, 24.0, 12.0, LoadBehaviour::ConstantPower);
    assert_relative_eq!(carried, 0.060, max_relative = 1e-14);
}

/// Trapezoids: [1, 2, 3] at 4, 6, 8 give 8 (SciPy documentation of `integrate.trapezoid`, read in
/// a secondary copy); a straight line is exact however it is sampled (computed: 110 C).
#[test]
fn trapezoid_charge() {
    let charge_c = |times: &[f64], current_a: &[f64]| {
        let time = TimeAxis::Listed(times.to_vec());
        let samples = Samples { time, current_a: current_a.to_vec() };
        capture::totals(&samples, &[]).charge_ah * 3600.0
    };
    assert_relative_eq!(charge_c(&[4.0, 6.0, 8.0], &[1.0, 2.0, 3.0]), 8.0, max_relative = 1e-14);
    let times = [0.0, 1.0, 2.5, 2.5, 7.0, 20.0];
    let line = times.map(|t| 3.0 + 0.25 * t);
    assert_relative_eq!(charge_c(&times, &line), 110.0, max_relative = 1e-14);
}

fn steps_of(values: Vec<f64>) -> Vec<usize> {
    let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
    let samples = Samples { time, current_a: values };
    let found = segment::segment(&samples, &[], None, &Wishes::default()).unwrap();
    found.steps.iter().map(|step| step.index).collect()
}

/// Yearly flow of the Nile at Aswan 1871-1970: one change, after observation 28 (1898), 95 %
/// interval 25 to 32 (Cobb 1978, Biometrika 65, 243-251; interval as published for least squares
/// with one break, read in a secondary copy).
#[test]
fn nile_has_one_change() {
    let steps = steps_of(column("nile.csv", 1));
    assert_eq!(steps.len(), 1, "{steps:?}");
    assert!((25..=32).contains(&steps[0]), "{steps:?}");
}

/// Well-log data (Ó Ruanaidh & Fitzgerald 1996), the changes that three of five annotators of the
/// Turing Change Point Dataset agree on to one sample; the series' own outliers are left in.
#[test]
fn well_log_changes_that_annotators_agree_on() {
    let first = 81;
    let steps = steps_of(column("../series/well_log.csv", 1));
    let agreed = [179, 255, 281, 311, 343, 402, 412, 422, 432];
    for change in agreed {
        let near = |step: &usize| (step + first).abs_diff(change) <= 2;
        assert!(steps.iter().any(near), "{change} is not among {steps:?} + {first}");
    }
    // The edges of the two-sample dips, and one more that a careful reader may see.
    let dips = [202, 204, 462, 464];
    let known = |step: &&usize| {
        agreed.iter().chain(&dips).any(|change| (**step + first).abs_diff(*change) <= 2)
    };
    let others: Vec<&usize> = steps.iter().filter(|step| !known(step)).collect();
    assert!(others.len() <= 1, "{others:?} + {first}");
}

/// Simulated series of the Turing Change Point Dataset whose change is known: a step of 1.5 in unit
/// noise before sample 97, one on a small trend before sample 146, and noise alone.
#[test]
fn quality_control_series_have_their_known_changes() {
    for (file, known) in [("1", Some(146)), ("2", Some(97)), ("5", None)] {
        let steps = steps_of(column(&format!("../series/quality_control_{file}.csv"), 1));
        assert_eq!(steps.len(), usize::from(known.is_some()), "{file}: {steps:?}");
        if let Some(known) = known {
            assert!(steps[0].abs_diff(known) <= 2, "{file}: {steps:?}, known {known}");
        }
    }
}
