//! What cold takes from a lead-acid battery.

/// Cell size correction factors against temperature in °F, base 77 °F (25 °C).
///
/// IEEE Std 485, table 1, as it stands in a secondary transcription that does not name its
/// edition; kept with that remark in `shared/checks/kt_77F.csv`. Copies that contradict it
/// circulate (1.11 at 10 °C where this one has 1.19), so the job sheet may overrule it.
const SIZING_FACTOR_AT_F: [(f64, f64); 37] = [
    (40.0, 1.30),
    (45.0, 1.25),
    (50.0, 1.19),
    (55.0, 1.15),
    (60.0, 1.11),
    (65.0, 1.08),
    (66.0, 1.072),
    (67.0, 1.064),
    (68.0, 1.056),
    (69.0, 1.048),
    (70.0, 1.04),
    (71.0, 1.034),
    (72.0, 1.029),
    (73.0, 1.023),
    (74.0, 1.017),
    (75.0, 1.011),
    (76.0, 1.006),
    (77.0, 1.0),
    (78.0, 0.994),
    (79.0, 0.987),
    (80.0, 0.98),
    (81.0, 0.976),
    (82.0, 0.972),
    (83.0, 0.968),
    (84.0, 0.964),
    (85.0, 0.96),
    (86.0, 0.956),
    (87.0, 0.952),
    (88.0, 0.948),
    (89.0, 0.944),
    (90.0, 0.94),
    (95.0, 0.93),
    (100.0, 0.91),
    (105.0, 0.89),
    (110.0, 0.88),
    (115.0, 0.87),
    (120.0, 0.86),
];

/// Share of the capacity left in the cold: US Army TM 10-6140-200-14, the paragraph on low
/// temperature (read in a secondary copy), joined to the coldest row of the table above.
const SHARE_LEFT_AT_F: [(f64, f64); 3] = [(0.0, 0.40), (32.0, 0.75), (40.0, 1.0 / 1.30)];

const TABLE: &str = "IEEE Std 485 cell size correction factors, base 25 °C, as transcribed \
                     (edition not named there)";
const COLD: &str = "US Army TM 10-6140-200-14: 75 % of the capacity left at 0 °C, 40 % at −18 °C";

/// A sizing factor with where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SizingFactor {
    /// What the capacity is divided by.
    pub(super) value: f64,
    /// Its published source.
    pub(super) source: &'static str,
    /// True outside the published temperatures, where the nearest figure is used.
    pub(super) outside: bool,
}

/// The factor that a lead-acid battery's capacity is divided by at `temperature_c`.
///
/// Linear between the rows of [`SIZING_FACTOR_AT_F`]; below its 4.4 °C linear in the share left,
/// [`SHARE_LEFT_AT_F`]; below −17.8 °C and above 48.9 °C the last figure, marked as outside. O(1).
pub(super) fn sizing_factor(temperature_c: f64) -> SizingFactor {
    let fahrenheit = temperature_c * 1.8 + 32.0;
    // 4.4444 °C, as the table's own Celsius column rounds it, is its coldest row and not colder.
    let coldest = SIZING_FACTOR_AT_F[0].0 - 1e-3;
    if fahrenheit < coldest {
        let (share, outside) = interpolate(&SHARE_LEFT_AT_F, fahrenheit);
        SizingFactor { value: 1.0 / share, source: COLD, outside }
    } else {
        let (value, _) = interpolate(&SIZING_FACTOR_AT_F, fahrenheit);
        SizingFactor { value, source: TABLE, outside: fahrenheit > 120.0 + 1e-3 }
    }
}

/// Linear between rows; the end values outside, with `true`.
fn interpolate(rows: &[(f64, f64)], x: f64) -> (f64, bool) {
    let after = rows.partition_point(|row| row.0 <= x);
    match (after.checked_sub(1).map(|i| rows[i]), rows.get(after)) {
        (Some((x0, y0)), Some(&(x1, y1))) => (y0 + (y1 - y0) * (x - x0) / (x1 - x0), false),
        (Some((x0, y0)), None) => (y0, x > x0),
        (None, Some(&(_, y1))) => (y1, true),
        (None, None) => unreachable!("the tables have rows"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    // Check `kt-table`: IEEE Std 485 table 1 as transcribed (read in a secondary copy).
    #[test]
    fn every_row_of_the_published_table_is_met() {
        let table = include_str!("../../shared/checks/kt_77F.csv");
        let mut rows = 0;
        for line in table.lines().skip(1) {
            let row: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            let found = sizing_factor(row[1]);
            assert_abs_diff_eq!(found.value, row[2], epsilon = 2e-6);
            assert!(!found.outside && found.source == TABLE);
            rows += 1;
        }
        assert_eq!(rows, SIZING_FACTOR_AT_F.len());
    }

    // Check `kt-table`, its note: 50 °F is 10 °C and has 1.19, not the 1.11 of another page.
    #[test]
    fn ten_degrees_celsius_has_the_factor_of_fifty_fahrenheit() {
        assert_abs_diff_eq!(sizing_factor(10.0).value, 1.19, epsilon = 1e-12);
        assert_abs_diff_eq!(sizing_factor(8.0 + 11.0 / 18.0).value, 1.22, epsilon = 1e-12);
    }

    // Check `lead-cap-temp`: 75 % at 32 °F, 40 % at 0 °F (US Army TM, read in a secondary copy).
    #[test]
    fn the_cold_leaves_what_the_manual_says() {
        assert_abs_diff_eq!(1.0 / sizing_factor(0.0).value, 0.75, epsilon = 1e-12);
        let zero_f = sizing_factor(-160.0 / 9.0 + 1e-9);
        assert_abs_diff_eq!(1.0 / zero_f.value, 0.40, epsilon = 1e-9);
        assert!(!zero_f.outside);
    }

    #[test]
    fn colder_is_never_better_and_beyond_the_figures_is_said() {
        let factors: Vec<f64> =
            (-300..600).map(|tenth| sizing_factor(f64::from(tenth) / 10.0).value).collect();
        assert!(factors.windows(2).all(|pair| pair[1] <= pair[0] + 1e-12));
        assert!(sizing_factor(-25.0).outside && sizing_factor(50.0).outside);
        assert!(!sizing_factor(-17.7).outside && !sizing_factor(48.8).outside);
    }
}
