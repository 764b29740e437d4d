//! The page to hand over: one file, no network, light and dark, screen and paper.

mod batch;
mod batch_plots;
mod battery;
mod compare;
mod method;
mod sleep;
mod view;

use askama::Template;

pub(super) use batch::batch_page;
pub(super) use batch_plots::BatchPlots;
pub(super) use compare::compare_page;

use super::figures::{self, Figure, Kind, Zoom};
use super::words::{self, Clock, printable, tied};
use super::{ReportError, Trace};
use crate::findings::{Findings, SAFETY};
use crate::numeric::{Quantity, Unit};
use battery::BatteryView;
use method::{CheckView, TableView};
use sleep::SleepView;
use view::LoadView;

/// Pieces of advice on the page; the tables have them all.
const ADVICE: usize = 4;

#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    version: &'static str,
    title: String,
    place: String,
    headline: String,
    facts: Vec<(&'static str, String)>,
    loads_figure: Option<&'a Figure>,
    loads: Vec<LoadView>,
    at_supply: String,
    load_notes: Vec<String>,
    overview: &'a Figure,
    has_events: bool,
    has_unanswered: bool,
    has_zero: bool,
    has_loose: bool,
    has_overload: bool,
    capture_lines: Vec<String>,
    sleep: Option<SleepView>,
    sleep_figures: &'a [Figure],
    zooms: &'a [Zoom],
    zooms_left: usize,
    unexplained: Vec<String>,
    advice: Vec<(String, String)>,
    advice_left: usize,
    battery: Option<BatteryView>,
    method: Vec<(&'static str, String)>,
    zero_checks: Vec<CheckView>,
    tables: Vec<TableView>,
    cautions: Vec<String>,
    safety: &'static [&'static str],
    file: String,
}

/// The plots of one report.
#[derive(Debug)]
pub(super) struct Plots {
    pub(super) overview: Figure,
    pub(super) loads: Option<Figure>,
    /// Rows, wakes, distribution and charge; empty when nothing wakes.
    pub(super) sleep: Vec<Figure>,
    pub(super) zooms: Vec<Zoom>,
}

impl Plots {
    pub(super) fn draw(findings: &Findings, trace: &Trace<'_>) -> Result<Self, ReportError> {
        let clock = Clock::of(&findings.capture);
        Ok(Self {
            overview: figures::overview(findings, trace, &clock)?,
            loads: figures::loads(findings)?,
            sleep: sleep::figures(findings, trace, &clock)?,
            zooms: figures::zooms(findings, trace, &clock)?,
        })
    }

    /// Every plot.
    pub(super) fn all(&self) -> impl Iterator<Item = &Figure> {
        let zooms = self.zooms.iter().map(|zoom| &zoom.figure);
        [&self.overview].into_iter().chain(&self.loads).chain(&self.sleep).chain(zooms)
    }
}

/// The page: one HTML file that needs nothing beside it. The same findings and readings give the
/// same bytes.
///
/// # Errors
/// When a plot cannot be drawn, which no input should bring about.
pub fn render(findings: &Findings, trace: &Trace<'_>) -> Result<String, ReportError> {
    page(findings, &Plots::draw(findings, trace)?)
}

pub(super) fn page(findings: &Findings, plots: &Plots) -> Result<String, ReportError> {
    let clock = Clock::of(&findings.capture);
    let site = findings.site.as_deref().map(printable);
    let marks = figures::marks(findings);
    let has = |kind| marks.iter().any(|mark| mark.kind == kind);
    let page = Page {
        version: env!("CARGO_PKG_VERSION"),
        title: match &site {
            Some(site) => format!("Current draw at {site}"),
            None => "Current draw".to_owned(),
        },
        place: place(site, &clock),
        headline: tied(&printable(&findings.headline)),
        facts: facts(findings).into_iter().map(|(term, value)| (term, tied(&value))).collect(),
        loads_figure: plots.loads.as_ref(),
        loads: view::loads(findings),
        at_supply: findings
            .supply_voltage_v
            .map_or_else(String::new, |v| format!(" at {} V", words::significant(v, 4))),
        load_notes: tied_all(view::load_notes(findings)),
        overview: &plots.overview,
        has_events: has(Kind::Event),
        has_unanswered: has(Kind::Unanswered),
        has_zero: has(Kind::Zero),
        has_loose: has(Kind::Loose),
        has_overload: findings.capture.overload_samples > 0,
        capture_lines: tied_all(capture_lines(findings)),
        sleep: findings.sleep.as_ref().map(|sleep| SleepView::of(sleep, &clock)),
        sleep_figures: &plots.sleep,
        zooms: &plots.zooms,
        zooms_left: findings.events.len() - plots.zooms.len(),
        unexplained: tied_all(super::unexplained_in_words(findings, &clock)),
        advice: findings
            .advice
            .iter()
            .take(ADVICE)
            .map(|advice| (tied(&printable(&advice.what)), tied(&printable(&advice.why))))
            .collect(),
        advice_left: findings.advice.len().saturating_sub(ADVICE),
        battery: findings.budget.as_ref().map(BatteryView::of),
        method: method::told(findings, &clock)
            .into_iter()
            .map(|(term, text)| (term, tied(&text)))
            .collect(),
        zero_checks: method::zero_checks(findings, &clock),
        tables: method::tables(findings, &clock),
        cautions: findings.cautions.iter().map(|caution| tied(&printable(&caution.text))).collect(),
        safety: &SAFETY,
        file: printable(&findings.capture.file),
    };
    page.render().map_err(|error| ReportError::Page(error.to_string()))
}

fn tied_all(lines: Vec<String>) -> Vec<String> {
    lines.iter().map(|line| tied(line)).collect()
}

fn place(site: Option<String>, clock: &Clock) -> String {
    let mut parts = vec!["Current draw report".to_owned()];
    parts.extend(site);
    parts.extend(clock.start_in_full());
    parts.join(" · ")
}

/// The few figures that stand under the headline.
fn facts(findings: &Findings) -> Vec<(&'static str, String)> {
    let capture = &findings.capture;
    let long = words::duration(capture.duration_s);
    let mut facts = vec![(
        "captured",
        match capture.sampling_interval_s.filter(|interval_s| *interval_s > 0.0) {
            Some(interval_s) => format!("{long}, {}", words::rate(interval_s)),
            None => long,
        },
    )];
    if let Some(volts) = findings.supply_voltage_v {
        facts.push(("supply", format!("{} V", words::significant(volts, 4))));
    }
    let (charge, mean_a, _) = super::drawn(findings);
    facts.push(("average draw", Quantity::amperes(mean_a).to_string()));
    facts.push(match &findings.budget {
        Some(budget) => {
            ("charge a day", Quantity::new(budget.ah_per_day, Unit::AmpereHour).to_string())
        }
        None => ("charge drawn", charge.to_string()),
    });
    let zero = &findings.zero;
    facts.push((
        "meter's zero",
        match (zero.trusted, zero.trusted_to_a) {
            (true, Some(to_a)) => format!("✓ good to {}", words::to_two_digits(to_a)),
            (true, None) => "✓ checked".to_owned(),
            (false, _) if zero.checks.is_empty() => "? not checked".to_owned(),
            (false, _) => "✗ not to be trusted".to_owned(),
        },
    ));
    facts
}

/// What belongs under the picture of the capture.
fn capture_lines(findings: &Findings) -> Vec<String> {
    let totals = &findings.totals;
    let (charge, _, removed) = super::drawn(findings);
    let mut lines = vec![format!(
        "{charge} drawn{removed}; lowest reading {}, highest {}.",
        Quantity::amperes(totals.minimum_a),
        Quantity::amperes(totals.maximum_a),
    )];
    if let Some(wakes) = findings.wakes.as_ref().filter(|_| findings.sleep.is_none()) {
        lines.push(format!("{}.", super::wakes_in_words(wakes, None)));
    }
    lines
}
