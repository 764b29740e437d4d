//! The comparison in one or two plain sentences.

use crate::findings::{AlignedBy, Change, CompareFindings, Verdict};
use crate::numeric::{Lasting, Quantity, Unit};

/// `has_panel` when the runtimes leave a panel of the site out.
pub(super) fn headline(findings: &CompareFindings, has_panel: bool) -> String {
    let mut real: Vec<&Change> =
        findings.changes.iter().filter(|change| change.is_real()).collect();
    // What was faulty before stands first: it is what the repair was for.
    let faulty = |change: &Change| change.before_verdict == Verdict::NonConforming;
    real.sort_by(|a, b| {
        faulty(b).cmp(&faulty(a)).then(b.change_a.abs().total_cmp(&a.change_a.abs()))
    });
    let Some(largest) = real.first() else {
        return if findings.changes.is_empty() {
            "The two captures have nothing in common that could be compared.".to_owned()
        } else {
            format!(
                "Nothing changed by more than its doubt: none of the {} is different for sure.",
                match findings.aligned_by {
                    AlignedBy::Load => "loads",
                    AlignedBy::Level => "levels",
                }
            )
        };
    };
    let mut text = sentence(largest);
    let others = real.len() - 1;
    if others > 0 {
        text.push_str(&format!(
            " {others} more {} changed.",
            match findings.aligned_by {
                AlignedBy::Load if others == 1 => "draw",
                AlignedBy::Load => "draws",
                AlignedBy::Level if others == 1 => "level",
                AlignedBy::Level => "levels",
            }
        ));
    }
    let sides = [&findings.before, &findings.after];
    let by_level = findings.aligned_by == AlignedBy::Level;
    if by_level && !sides.iter().all(|side| side.zero_trusted) {
        text.push_str(
            " The zero was not checked on both sides: a shifted one looks like a change.",
        );
    }
    // The levels of a short capture are what somebody did then.
    if !(by_level && sides.iter().any(|side| super::is_brief(side.duration_s))) {
        text.push_str(&charge(findings, has_panel));
    }
    text
}

fn sentence(change: &Change) -> String {
    let direction = if change.change_a < 0.0 { "less" } else { "more" };
    let state =
        if change.state.is_empty() { String::new() } else { format!(" in {}", change.state) };
    let verdict = match (change.before_verdict, change.after_verdict) {
        (Verdict::NonConforming, Verdict::Conforming) => ", and now conforms",
        (_, Verdict::NonConforming) => ", and does not conform",
        (_, Verdict::Indeterminate) => ", and may or may not conform",
        _ => "",
    };
    let load = match change.load.strip_prefix("level ") {
        Some(number) if number.chars().all(|c| c.is_ascii_digit()) => format!("Level {number}"),
        _ => format!("The {}", change.load),
    };
    format!(
        "{load} draws {} {direction}{state} than before ({} before, {} after){verdict}.",
        Quantity::amperes_with(change.change_a.abs(), change.expanded_uncertainty_a),
        Quantity::amperes(change.before_a),
        Quantity::amperes(change.after_a),
    )
}

fn charge(findings: &CompareFindings, has_panel: bool) -> String {
    let without_sun = if has_panel { " without sun" } else { "" };
    let saved_ah = findings.charge_saved_ah_per_day;
    if saved_ah == 0.0 {
        return String::new();
    }
    let amount = Quantity::new(saved_ah.abs(), Unit::AmpereHour);
    let verb = if saved_ah > 0.0 { "saves" } else { "costs" };
    let runtime = match (findings.before.runtime_h, findings.runtime_gained_h) {
        (Some(before_h), Some(gained_h)) => format!(
            ": a sound battery lasts {}{without_sun} instead of {}",
            Lasting(before_h + gained_h),
            Lasting(before_h)
        ),
        _ => String::new(),
    };
    format!(" That {verb} {amount} a day{runtime}.")
}
