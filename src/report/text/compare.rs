//! Two captures of one site as a terminal page.

use crate::findings::{
    AlignedBy, CAUTIONS_IN_BRIEF, Change, CompareFindings, ComparedCapture, Verdict,
};
use crate::numeric::{Lasting, Quantity, Unit};

use super::super::words::{self, printable};
use super::layout::Page;

/// The comparison as text, `width` columns wide (40 to 120), coloured only when asked.
pub fn render_compare(findings: &CompareFindings, width: usize, colour: bool) -> String {
    let mut page = Page::new(width, colour);
    if let Some(site) = &findings.site {
        page.faint(&printable(site));
    }
    for (name, side) in [("before", &findings.before), ("after", &findings.after)] {
        page.faint(&format!("{name}: {}", place(side)));
    }
    page.blank();
    page.strong(&printable(&findings.headline));
    changes(&mut page, findings);
    if !findings.one_sided.is_empty() {
        page.heading("On one side only, and not compared");
        for row in &findings.one_sided {
            let side = if row.before { "before" } else { "after" };
            let name = format!("{} {}", printable(&row.load), printable(&row.state));
            let draw = Quantity::amperes(row.draw_a);
            page.item("-", &format!("{}: {draw}, only {side}", name.trim()));
        }
    }
    charge(&mut page, findings);
    page.heading("How the doubt was reckoned");
    page.say(&printable(&findings.shared_errors));
    if !findings.cautions.is_empty() {
        page.heading("Before you rely on this");
        findings.cautions.iter().for_each(|caution| page.item("!", &printable(&caution.text)));
    }
    page.blank();
    page.faint(CAUTIONS_IN_BRIEF);
    page.finish()
}

fn place(side: &ComparedCapture) -> String {
    let mut parts = vec![printable(&side.file)];
    parts.extend(side.start.as_deref().map(|start| printable(&start.replacen('T', " ", 1))));
    parts.push(words::duration(side.duration_s));
    if !side.zero_trusted {
        parts.push("zero not shown to be good".to_owned());
    }
    parts.join(" · ")
}

fn changes(page: &mut Page, findings: &CompareFindings) {
    if findings.changes.is_empty() {
        return;
    }
    let what = match findings.aligned_by {
        AlignedBy::Load => "load",
        AlignedBy::Level => "level",
    };
    page.heading("What changed");
    let row = |change: &Change| {
        vec![
            format!("{} {}", printable(&change.load), printable(&change.state)).trim().to_owned(),
            Quantity::amperes_with(change.before_a, change.before_expanded_a).to_string(),
            Quantity::amperes_with(change.after_a, change.after_expanded_a).to_string(),
            Quantity::amperes_with(change.change_a, change.expanded_uncertainty_a).to_string(),
            in_brief(change),
        ]
    };
    page.table(
        &[what, "before", "after", "change", "verdict"],
        findings.changes.iter().map(row).collect(),
    );
    let marked: Vec<String> = [
        (Verdict::Conforming, "conforms after"),
        (Verdict::NonConforming, "does not conform after"),
        (Verdict::Indeterminate, "not decided after"),
    ]
    .into_iter()
    .filter(|(verdict, _)| findings.changes.iter().any(|c| c.after_verdict == *verdict))
    .map(|(verdict, what)| format!("{} {what}", words::verdict_mark(verdict)))
    .collect();
    let marked = if marked.is_empty() { String::new() } else { format!("; {}", marked.join(", ")) };
    page.note(&format!("±: about 95 %{marked}."));
}

/// The same with the mark alone, for a narrow column.
fn in_brief(change: &Change) -> String {
    match change.after_verdict {
        Verdict::NoLimit => real(change),
        verdict => format!("{} {}", words::verdict_mark(verdict), real(change)),
    }
}

/// Whether the change is more than its doubt; how probable it is where that is nearly so.
fn real(change: &Change) -> String {
    let percent = 100.0 * change.probability_real;
    if change.probability_real >= 0.9995 {
        "real".to_owned()
    } else if change.is_real() {
        format!("real ({percent:.1} %)")
    } else if percent >= 90.0 {
        format!("within doubt ({percent:.0} %)")
    } else {
        "within doubt".to_owned()
    }
}

/// What became of a load: real or not, and whether it now conforms.
pub(in super::super) fn in_words(change: &Change) -> String {
    let real = if change.probability_real >= 0.9995 {
        "real".to_owned()
    } else if change.is_real() {
        format!("real ({:.1} %)", 100.0 * change.probability_real)
    } else {
        format!("within doubt ({:.0} %)", 100.0 * change.probability_real)
    };
    let mark = words::verdict_mark(change.after_verdict);
    match change.after_verdict {
        Verdict::NoLimit => real,
        Verdict::Conforming => format!("{real}; {mark} conforms"),
        Verdict::NonConforming => format!("{real}; {mark} does not conform"),
        Verdict::Indeterminate => format!("{real}; {mark} not decided"),
    }
}

fn charge(page: &mut Page, findings: &CompareFindings) {
    page.heading("Charge and battery");
    let saved_ah = findings.charge_saved_ah_per_day;
    let amount = match findings.expanded_uncertainty_ah_per_day {
        Some(expanded_ah) => Quantity::new_with(saved_ah.abs(), expanded_ah, Unit::AmpereHour),
        None => Quantity::new(saved_ah.abs(), Unit::AmpereHour),
    };
    let verb = if saved_ah < 0.0 { "more is drawn" } else { "are saved" };
    let mut text = format!("{amount} a day {verb}.");
    if let (Some(before_h), Some(after_h)) = (findings.before.runtime_h, findings.after.runtime_h) {
        text.push_str(&format!(
            " A sound battery carries the site for {} after, {} before.",
            Lasting(after_h),
            Lasting(before_h)
        ));
    }
    page.say(&text);
}
