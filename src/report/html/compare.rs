//! The page of a comparison: what changed, before and after side by side.

use askama::Template;

use crate::findings::{AlignedBy, Change, CompareFindings, ComparedCapture, SAFETY, Verdict};
use crate::numeric::{Lasting, Quantity, Unit};
use crate::report::ReportError;
use crate::report::figures::Figure;
use crate::report::text::change_in_words;
use crate::report::words::{self, printable, tied};

#[derive(Template)]
#[template(path = "compare.html")]
struct Page<'a> {
    version: &'static str,
    title: String,
    place: String,
    headline: String,
    facts: Vec<(&'static str, String)>,
    changes_figure: Option<&'a Figure>,
    what: &'static str,
    changes: Vec<ChangeView>,
    one_sided: Vec<String>,
    sides: [SideView<'a>; 2],
    shared_errors: String,
    cautions: Vec<String>,
    safety: &'static [&'static str],
}

struct ChangeView {
    name: String,
    state: String,
    before: String,
    after: String,
    change: String,
    limit: String,
    verdict: String,
    class: &'static str,
}

struct SideView<'a> {
    when: &'static str,
    told: String,
    figure: &'a Figure,
}

/// The page: one HTML file that needs nothing beside it.
pub(in crate::report) fn compare_page(
    findings: &CompareFindings,
    sides: &[Figure; 2],
    changes: Option<&Figure>,
) -> Result<String, ReportError> {
    let site = findings.site.as_deref().map(printable);
    let page = Page {
        version: env!("CARGO_PKG_VERSION"),
        title: match &site {
            Some(site) => format!("Before and after at {site}"),
            None => "Before and after".to_owned(),
        },
        place: ["Before and after".to_owned()]
            .into_iter()
            .chain(site)
            .collect::<Vec<_>>()
            .join(" · "),
        headline: tied(&printable(&findings.headline)),
        facts: facts(findings).into_iter().map(|(term, text)| (term, tied(&text))).collect(),
        changes_figure: changes,
        what: match findings.aligned_by {
            AlignedBy::Load => "load",
            AlignedBy::Level => "level",
        },
        changes: findings.changes.iter().map(change).collect(),
        one_sided: one_sided(findings),
        sides: [
            SideView { when: "Before", told: told(&findings.before), figure: &sides[0] },
            SideView { when: "After", told: told(&findings.after), figure: &sides[1] },
        ],
        shared_errors: tied(&printable(&findings.shared_errors)),
        cautions: findings.cautions.iter().map(|caution| tied(&printable(&caution.text))).collect(),
        safety: &SAFETY,
    };
    page.render().map_err(|error| ReportError::Page(error.to_string()))
}

fn charge(ah: f64) -> String {
    Quantity::new(ah, Unit::AmpereHour).to_string()
}

/// The few figures that stand under the headline.
fn facts(findings: &CompareFindings) -> Vec<(&'static str, String)> {
    let mut facts = Vec::new();
    let day = |side: &ComparedCapture| side.ah_per_day.map(charge);
    if let (Some(before), Some(after)) = (day(&findings.before), day(&findings.after)) {
        facts.push(("charge a day before", before));
        facts.push(("charge a day after", after));
    }
    let saved_ah = findings.charge_saved_ah_per_day;
    let term = if saved_ah < 0.0 { "more a day" } else { "saved a day" };
    facts.push((
        term,
        match findings.expanded_uncertainty_ah_per_day {
            Some(expanded_ah) => {
                Quantity::new_with(saved_ah.abs(), expanded_ah, Unit::AmpereHour).to_string()
            }
            None => charge(saved_ah.abs()),
        },
    ));
    if let (Some(before_h), Some(gained_h)) = (findings.before.runtime_h, findings.runtime_gained_h)
    {
        facts.push(("sound battery before", Lasting(before_h).to_string()));
        facts.push(("sound battery after", Lasting(before_h + gained_h).to_string()));
    }
    facts
}

fn change(change: &Change) -> ChangeView {
    ChangeView {
        name: printable(&change.load),
        state: printable(&change.state),
        before: Quantity::amperes_with(change.before_a, change.before_expanded_a).to_string(),
        after: Quantity::amperes_with(change.after_a, change.after_expanded_a).to_string(),
        change: Quantity::amperes_with(change.change_a, change.expanded_uncertainty_a).to_string(),
        limit: change.limit_high_a.map_or("–".to_owned(), words::set_current),
        verdict: tied(&change_in_words(change)),
        class: match change.after_verdict {
            Verdict::Conforming => "good",
            Verdict::NonConforming => "beyond",
            Verdict::Indeterminate => "open",
            Verdict::NoLimit => "small",
        },
    }
}

fn one_sided(findings: &CompareFindings) -> Vec<String> {
    findings
        .one_sided
        .iter()
        .map(|row| {
            let name = format!("{} {}", printable(&row.load), printable(&row.state));
            let side = if row.before { "before" } else { "after" };
            tied(&format!("{}: {}, only {side}", name.trim(), Quantity::amperes(row.draw_a)))
        })
        .collect()
}

fn told(side: &ComparedCapture) -> String {
    let mut parts = vec![printable(&side.file)];
    parts.extend(side.start.as_deref().map(|start| printable(&start.replacen('T', " ", 1))));
    parts.push(words::duration(side.duration_s));
    parts.push(format!("{} on average", Quantity::amperes(side.mean_a)));
    parts
        .push(if side.zero_trusted { "✓ zero good" } else { "? zero not shown to be good" }.into());
    tied(&parts.join(" · "))
}
