//! Loads in the words of the page.

use crate::findings::{EvaluationType, Findings, LoadBehaviour, LoadRow, Verdict};
use crate::numeric::Quantity;
use crate::report::text::ordered;
use crate::report::words::{self, printable};

/// Below this share of the variance a component adds nothing that could be seen.
const NOTHING: f64 = 1e-12;

/// A load as the page shows it.
pub(super) struct LoadView {
    pub(super) name: String,
    pub(super) state: String,
    pub(super) draw: String,
    pub(super) limits: String,
    pub(super) verdict: String,
    pub(super) class: &'static str,
    pub(super) sure: String,
    pub(super) items: Vec<ItemView>,
}

/// A line of an uncertainty budget as the page shows it.
pub(super) struct ItemView {
    pub(super) source: String,
    pub(super) evaluation: &'static str,
    pub(super) distribution: String,
    pub(super) standard: String,
    pub(super) freedom: String,
    pub(super) share: String,
}

pub(super) fn loads(findings: &Findings) -> Vec<LoadView> {
    ordered(&findings.loads).map(load).collect()
}

fn load(load: &LoadRow) -> LoadView {
    LoadView {
        name: format!("{}{}", printable(&load.load), if load.separable { "" } else { " *" }),
        state: printable(&load.state),
        draw: Quantity::amperes_with(load.draw_a, load.expanded_uncertainty_a).to_string(),
        limits: words::limits(load),
        verdict: format!("{} {}", words::verdict_mark(load.verdict), words::verdict_words(load)),
        class: match load.verdict {
            Verdict::Conforming => "good",
            Verdict::NonConforming => "beyond",
            Verdict::Indeterminate => "open",
            Verdict::NoLimit => "small",
        },
        sure: words::tied(&sure(load)),
        items: load
            .uncertainty_budget
            .iter()
            .map(|item| ItemView {
                source: printable(&item.source),
                evaluation: match item.evaluation {
                    EvaluationType::A => "A",
                    EvaluationType::B => "B",
                },
                distribution: printable(&item.distribution),
                standard: if item.share < NOTHING {
                    "as good as none".to_owned()
                } else {
                    Quantity::amperes(item.standard_uncertainty_a).to_string()
                },
                freedom: item
                    .degrees_of_freedom
                    .map_or_else(|| "∞".to_owned(), |freedom| words::significant(freedom, 3)),
                share: words::percent(item.share),
            })
            .collect(),
    }
}

fn sure(load: &LoadRow) -> String {
    let mut text = format!(
        "Standard uncertainty {}, coverage factor {}, from {}.",
        Quantity::amperes(load.standard_uncertainty_a),
        words::significant(load.coverage_factor, 3),
        words::count(load.observations, "steady state", "steady states"),
    );
    if let Some(probability) = load.conformance_probability {
        text.push_str(&format!(
            " Probability that it conforms: {}.",
            words::probability(probability)
        ));
    }
    if let Some(guard_a) = load.guard_band_a {
        text.push_str(&format!(" Guard band {}.", Quantity::amperes(guard_a)));
    }
    if let Some(score) = load.anomaly_score {
        text.push_str(&format!(" Anomaly score {}.", words::significant(score, 2)));
    }
    if let Some(decide) = &load.to_decide {
        text.push_str(&format!(" To decide it: {}", printable(decide)));
    }
    text
}

/// What a reader of the table of loads must be told under it.
pub(super) fn load_notes(findings: &Findings) -> Vec<String> {
    let mut notes: Vec<String> = findings
        .loads
        .iter()
        .filter(|load| !load.separable)
        .map(|load| {
            let others: Vec<_> = load.inseparable_from.iter().map(|name| printable(name)).collect();
            format!(
                "* {} was always switched together with {}: the figure is their sum.",
                printable(&load.load),
                others.join(", ")
            )
        })
        .collect();
    notes.extend(ordered(&findings.loads).filter_map(|load| carried(load, findings)));
    notes
}

/// How a limit came from the voltage it was specified at to the site's.
fn carried(load: &LoadRow, findings: &Findings) -> Option<String> {
    let (at_v, site_v) = (load.listed_at_voltage_v?, findings.supply_voltage_v?);
    if at_v == site_v {
        return None;
    }
    let (behaviour, rule) = match load.behaves_as? {
        LoadBehaviour::ConstantPower => {
            ("takes constant power", "the current falls as the voltage rises")
        }
        LoadBehaviour::ConstantCurrent => {
            ("takes constant current", "the current does not follow the voltage")
        }
        LoadBehaviour::Resistive => ("is resistive", "the current rises with the voltage"),
    };
    let specified = match (load.listed_specified_a, load.specified_a) {
        (Some(listed), Some(here)) => format!(
            "specified {} at {} V, which is {} at {} V",
            words::set_current(listed),
            words::significant(at_v, 4),
            words::set_current(here),
            words::significant(site_v, 4)
        ),
        _ => format!(
            "specified at {} V, carried to {} V",
            words::significant(at_v, 4),
            words::significant(site_v, 4)
        ),
    };
    Some(format!(
        "{}, {}: {specified}, taking it that the load {behaviour} ({rule}).",
        printable(&load.load),
        printable(&load.state)
    ))
}
