//! Which tables a document has, and which columns they have.

use serde::Serialize;

use crate::findings::{
    BatchFindings, Budget, BudgetFindings, CompareFindings, Findings, SleepFindings, WakeGroups,
    WakeSeries,
};

use super::{Table, Values};

/// A value that a cell can hold.
trait IntoCell {
    type Cell;
    fn into_cell(self) -> Option<Self::Cell>;
    fn gather(cells: Vec<Option<Self::Cell>>) -> Values;
}

macro_rules! cells {
    ($($from:ty => $variant:ident($cell:ty), $value:ident, $to:expr;)*) => {$(
        impl IntoCell for $from {
            type Cell = $cell;
            fn into_cell(self) -> Option<$cell> {
                let $value = self;
                $to
            }
            fn gather(cells: Vec<Option<$cell>>) -> Values {
                Values::$variant(cells)
            }
        }
    )*};
}

cells! {
    &f64 => Number(f64), x, Some(*x);
    &Option<f64> => Number(f64), x, *x;
    &u64 => Count(u64), n, Some(*n);
    &usize => Count(u64), n, Some(*n as u64);
    &Option<usize> => Count(u64), n, n.map(|n| n as u64);
    &String => Text(String), text, Some(text.clone());
    &Option<String> => Text(String), text, text.clone();
    &Vec<String> => Text(String), texts, Some(texts.join("; "));
    &bool => Flag(bool), flag, Some(*flag);
    Word => Text(String), word, word.0;
}

/// A word of the result document: an enum as JSON writes it.
struct Word(Option<String>);

fn word<T: Serialize>(value: &T) -> Word {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => Word(Some(text)),
        _ => Word(None),
    }
}

fn column<R, C: IntoCell>(rows: &[R], cell: impl Fn(&R) -> Option<C::Cell>) -> Values {
    C::gather(rows.iter().map(cell).collect())
}

fn values<'a, R, C: IntoCell>(rows: &'a [R], field: impl Fn(&'a R) -> C) -> Values {
    C::gather(rows.iter().map(|row| field(row).into_cell()).collect())
}

/// A table whose columns are fields of its rows, so that their names cannot part from the
/// document's. `word field` takes an enum as the document spells it.
macro_rules! table {
    ($name:literal, $rows:expr, [$($how:ident $field:ident),* $(,)?]) => {{
        let rows = $rows;
        Table {
            name: $name,
            rows: rows.len(),
            columns: vec![$((stringify!($field), table!(@ $how rows $field))),*],
        }
    }};
    (@ plain $rows:ident $field:ident) => { values($rows, |row| &row.$field) };
    (@ word $rows:ident $field:ident) => { values($rows, |row| word(&row.$field)) };
}

/// The tables of an analysis.
pub fn of_findings(findings: &Findings) -> Vec<Table> {
    let mut tables = vec![
        capture(findings),
        table!("segments", findings.segments.as_slice(), [
            plain start_s, plain end_s, plain samples, plain mean_a, plain noise_a,
            plain standard_uncertainty_a, word kind, plain state, plain anomaly_score,
        ]),
        table!("steps", findings.steps.as_slice(), [
            plain time_s, plain time_low_s, plain time_high_s, plain delta_a,
            plain standard_uncertainty_a, plain event, plain score, plain by_itself,
            plain anomaly_score,
        ]),
        table!("events", findings.events.as_slice(), [
            plain row, plain load, plain state, plain listed_s, plain aligned_s, plain step,
        ]),
        table!("zero_checks", findings.zero.checks.as_slice(), [
            plain time_s, plain reading_a, plain residual_a, plain within_tolerance, plain listed,
        ]),
        table!("loads", findings.loads.as_slice(), [
            plain load, plain state, plain draw_a, plain standard_uncertainty_a,
            plain expanded_uncertainty_a, plain coverage_factor, plain observations,
            plain separable, plain inseparable_from, plain specified_a, plain limit_low_a,
            plain limit_high_a, plain listed_specified_a, plain listed_at_voltage_v,
            word behaves_as, word verdict, plain conformance_probability, plain guard_band_a,
            plain anomaly_score, plain to_decide,
        ]),
        uncertainty_budget(findings),
        table!("duty", findings.duty.as_slice(), [
            plain load, plain state, plain time_s, plain charge_ah,
        ]),
        table!("states", findings.states.as_slice(), [
            plain id, plain mean_a, plain noise_a, plain time_s, plain share_of_time,
            plain charge_ah,
        ]),
        table!("noise_by_level", findings.noise.by_level.as_slice(), [plain level_a, plain sigma_a]),
        table!("unexplained", findings.unexplained.as_slice(), [
            plain start_s, plain end_s, plain delta_a, plain charge_ah,
        ]),
        table!("gaps", findings.capture.gaps.as_slice(), [plain start_s, plain end_s]),
        table!("decisions", findings.capture.decisions.as_slice(), [
            plain what, plain chosen, plain why, plain option,
        ]),
        table!("advice", findings.advice.as_slice(), [plain what, plain why]),
        table!("cautions", findings.cautions.as_slice(), [plain code, plain text]),
    ];
    if let Some(found) = &findings.sleep {
        tables.extend(sleep(found));
    }
    if let Some(found) = &findings.budget {
        tables.extend(budget(found));
    }
    tables
}

/// The tables of sleep: one row of what holds for the whole capture, and its lists.
fn sleep(sleep: &SleepFindings) -> [Table; 9] {
    let number = |value: f64| Values::Number(vec![Some(value)]);
    let maybe = |value: Option<f64>| Values::Number(vec![value]);
    let text = |value: Option<String>| Values::Text(vec![value]);
    let (asleep, waking, awake) = (&sleep.asleep, &sleep.waking, &sleep.awake);
    let whole = Table {
        name: "sleep",
        rows: 1,
        columns: vec![
            ("floor_a", number(sleep.floor_a)),
            ("floor_standard_uncertainty_a", number(sleep.floor_standard_uncertainty_a)),
            ("floor_expanded_uncertainty_a", number(sleep.floor_expanded_uncertainty_a)),
            ("time_to_sleep_s", maybe(sleep.time_to_sleep_s)),
            ("longest_time_to_sleep_s", maybe(sleep.longest_time_to_sleep_s)),
            ("asleep_time_s", number(asleep.time_s)),
            ("asleep_share_of_time", number(asleep.share_of_time)),
            ("asleep_charge_ah", number(asleep.charge_ah)),
            ("asleep_share_of_charge", number(asleep.share_of_charge)),
            ("waking_time_s", number(waking.time_s)),
            ("waking_least_time_s", maybe(waking.least_time_s)),
            ("waking_share_of_time", number(waking.share_of_time)),
            ("waking_least_share_of_time", maybe(waking.least_share_of_time)),
            ("waking_charge_ah", number(waking.charge_ah)),
            ("waking_share_of_charge", number(waking.share_of_charge)),
            ("awake_time_s", number(awake.time_s)),
            ("awake_share_of_time", number(awake.share_of_time)),
            ("awake_charge_ah", number(awake.charge_ah)),
            ("awake_share_of_charge", number(awake.share_of_charge)),
            ("creep", text(word(&sleep.creep.answer).0)),
            ("creep_a_per_h", maybe(sleep.creep.slope_a_per_h)),
            ("creep_standard_uncertainty_a_per_h", maybe(sleep.creep.standard_uncertainty_a_per_h)),
        ],
    };
    [
        whole,
        table!("floor_levels", sleep.floor_levels.as_slice(), [
            plain start_s, plain end_s, plain level_a, plain expanded_uncertainty_a,
        ]),
        table!("wakes", sleep.wakes.as_slice(), [
            plain start_s, plain width_s, plain peak_a, plain charge_ah, plain series, plain met,
        ]),
        table!("wake_series", sleep.series.as_slice(), [
            plain count, plain period_s, plain jitter_s, plain jitter_at_most, plain regular, plain skipped, plain met,
            plain width_s, plain width_at_most, plain peak_a, plain charge_each_ah,
        ]),
        wake_groups(&sleep.series),
        table!("falls_asleep", sleep.falls_asleep.as_slice(), [
            plain last_activity_s, plain asleep_s, plain took_s, plain least_s, plain most_s,
        ]),
        table!("failures_to_sleep", sleep.failures.as_slice(), [
            plain start_s, plain end_s, plain above_floor_a, plain charge_ah,
        ]),
        table!("awake_stretches", sleep.awake_stretches.as_slice(), [plain start_s, plain end_s]),
        table!("sleep_verdicts", sleep.verdicts.as_slice(), [
            plain limit_name, plain value, plain standard_uncertainty, plain least, plain most,
            plain limit,
            plain si_unit, word verdict, plain conformance_probability,
        ]),
    ]
}

/// The groups that wakes come in, with the place of their series in the list.
fn wake_groups(series: &[WakeSeries]) -> Table {
    let groups: Vec<(usize, WakeGroups)> =
        series.iter().enumerate().filter_map(|(at, kind)| Some((at, kind.groups?))).collect();
    let (at, groups): (Vec<usize>, Vec<WakeGroups>) = groups.into_iter().unzip();
    let mut table = table!("wake_groups", groups.as_slice(), [
        plain count, plain least, plain most, plain period_s, plain jitter_s, plain apart_s,
    ]);
    table.columns.insert(0, ("series", values(&at, |at| at)));
    table
}

/// The tables of a battery budget.
pub fn of_budget(findings: &BudgetFindings) -> Vec<Table> {
    budget(&findings.budget).into()
}

fn budget(budget: &Budget) -> [Table; 3] {
    [
        table!("budget_by_load", budget.by_load.as_slice(), [
            plain load, plain state, plain draw_a, plain hours_per_day, plain draw_source,
            plain hours_source, plain ah_per_day, plain standard_uncertainty_ah_per_day,
            plain share,
        ]),
        table!("budget_factors", budget.factors.as_slice(), [
            plain name, plain value, plain source, plain unit,
        ]),
        table!("budget_what_if", budget.what_if.as_slice(), [
            plain load, word change, plain ah_per_day, plain runtime_h, plain runtime_gained_h,
        ]),
    ]
}

/// The tables of a comparison.
pub fn of_compare(findings: &CompareFindings) -> Vec<Table> {
    vec![
        table!("changes", findings.changes.as_slice(), [
            plain load, plain state, plain before_a, plain before_expanded_a, plain after_a,
            plain after_expanded_a, plain change_a, plain standard_uncertainty_a,
            plain expanded_uncertainty_a, plain probability_real, plain limit_high_a,
            word before_verdict, word after_verdict,
        ]),
        table!("one_sided", findings.one_sided.as_slice(), [
            plain load, plain state, plain before, plain draw_a,
        ]),
    ]
}

/// The tables of a batch: a row a unit, a row a unit and measure, a row a measure.
pub fn of_batch(findings: &BatchFindings) -> Vec<Table> {
    let measures: Vec<_> = findings
        .units
        .iter()
        .flat_map(|unit| unit.measures.iter().map(move |measure| (unit, measure)))
        .collect();
    let rows: Vec<_> = measures.iter().map(|pair| pair.1).collect();
    let mut by_unit = table!("measures", rows.as_slice(), [
        word measure, plain load, plain state, plain value, plain si_unit,
        plain expanded_uncertainty, word verdict, plain judged, plain anomaly_score,
        plain esd_statistic, plain esd_critical, plain outlier, word group,
    ]);
    let units = column::<_, &String>(&measures, |pair| Some(pair.0.unit.clone()));
    let files = column::<_, &String>(&measures, |pair| Some(pair.0.file.clone()));
    let status = column::<_, Word>(&measures, |pair| word(&pair.0.status).0);
    by_unit.columns.splice(0..0, [("unit", units), ("file", files), ("status", status)]);
    let mut population = table!("population", findings.population.as_slice(), [
        word measure, plain load, plain state, plain units, plain mean, plain sd,
        plain kept_mean, plain kept_sd, plain between_unit_sd, plain repeatability_sd,
        plain median, plain robust_sd, plain cp, plain cp_low, plain cp_high, plain cpk,
        plain cpk_low, plain cpk_high, plain limit_low, plain limit_high, plain si_unit,
        plain normality_probability, plain order_trend_probability, plain outside_at_most,
        plain outside_at_most_if_normal, plain outliers,
    ]);
    let rows = findings.population.as_slice();
    let low = column::<_, &f64>(rows, |row| row.two_groups.map(|(low, _)| low));
    let high = column::<_, &f64>(rows, |row| row.two_groups.map(|(_, high)| high));
    population.columns.extend([("two_groups_low", low), ("two_groups_high", high)]);
    vec![
        table!("units", findings.units.as_slice(), [
            plain unit, plain file, word status, plain reason,
        ]),
        by_unit,
        population,
        table!("cautions", findings.cautions.as_slice(), [plain code, plain text]),
    ]
}

/// One row of what holds for the whole capture, so that many runs can be stacked.
fn capture(findings: &Findings) -> Table {
    let (capture, totals, zero) = (&findings.capture, &findings.totals, &findings.zero);
    let number = |value: f64| Values::Number(vec![Some(value)]);
    let count = |value: u64| Values::Count(vec![Some(value)]);
    let text = |value: Option<&str>| Values::Text(vec![value.map(str::to_owned)]);
    let clock = findings.clock.as_ref();
    Table {
        name: "capture",
        rows: 1,
        columns: vec![
            ("file", text(Some(&capture.file))),
            ("site", text(findings.site.as_deref())),
            ("supply_voltage_v", Values::Number(vec![findings.supply_voltage_v])),
            ("samples", count(capture.samples)),
            ("start", text(capture.start.as_deref())),
            ("duration_s", number(capture.duration_s)),
            ("sampling_interval_s", Values::Number(vec![capture.sampling_interval_s])),
            ("current_column", text(Some(&capture.current_column))),
            ("unit", text(Some(&capture.unit))),
            ("resolution_a", Values::Number(vec![capture.resolution_a])),
            ("overload_samples", count(capture.overload_samples)),
            ("unreadable_rows", count(capture.unreadable_rows)),
            ("sigma_a", number(findings.noise.sigma_a)),
            ("lag1_autocorrelation", number(findings.noise.lag1_autocorrelation)),
            ("spikes", count(findings.noise.spikes)),
            ("clock_offset_s", Values::Number(vec![clock.map(|clock| clock.offset_s)])),
            ("clock_drift_s_per_h", Values::Number(vec![clock.and_then(|c| c.drift_s_per_h)])),
            ("zero_offset_a", Values::Number(vec![zero.offset_a])),
            ("zero_drift_a_per_h", Values::Number(vec![zero.drift_a_per_h])),
            ("zero_trusted", Values::Flag(vec![Some(zero.trusted)])),
            ("base_a", Values::Number(vec![findings.base_a])),
            ("charge_ah", number(totals.charge_ah)),
            ("mean_a", number(totals.mean_a)),
            ("sample_mean_a", number(totals.sample_mean_a)),
            ("minimum_a", number(totals.minimum_a)),
            ("maximum_a", number(totals.maximum_a)),
        ],
    }
}

/// Every load's uncertainty budget, each line with its load and state.
fn uncertainty_budget(findings: &Findings) -> Table {
    let lines: Vec<_> = findings
        .loads
        .iter()
        .flat_map(|load| load.uncertainty_budget.iter().map(move |item| (load, item)))
        .collect();
    let rows: Vec<_> = lines.iter().map(|line| line.1).collect();
    let mut table = table!("uncertainty_budget", rows.as_slice(), [
        plain source, word evaluation, plain distribution, plain standard_uncertainty_a,
        plain degrees_of_freedom, plain share, word common_to,
    ]);
    let load = column::<_, &String>(&lines, |line| Some(line.0.load.clone()));
    let state = column::<_, &String>(&lines, |line| Some(line.0.state.clone()));
    table.columns.splice(0..0, [("load", load), ("state", state)]);
    table
}
