//! How a capture was read, so that a person can check every choice.

use crate::capture::Capture;
use crate::findings::InspectFindings;
use crate::numeric::{Quantity, Unit};

use super::layout::Page;
use crate::report::trace::Trace;
use crate::report::words::{self, Clock, printable};

const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// How the file was read, `width` columns wide: decisions with reasons, first rows as understood,
/// a small drawing of the whole capture, sampling, gaps, overload, resolution, and the options
/// that reproduce the reading.
pub fn render_inspect(
    findings: &InspectFindings,
    capture: &Capture,
    width: usize,
    colour: bool,
) -> String {
    let facts = &findings.capture;
    let clock = Clock::of(facts);
    let mut page = Page::new(width, colour);
    page.strong(&headline(findings, &clock));
    page.blank();
    drawing(&mut page, findings, capture, &clock);

    page.heading("How it was read");
    let rows = facts.decisions.iter().map(|decision| {
        vec![printable(&decision.what), printable(&decision.chosen), printable(&decision.why)]
    });
    page.table(&["what", "chosen", "because"], rows.collect());

    page.heading("First rows as understood");
    let fine = clock.fine(facts.sampling_interval_s);
    let rows = capture.first_rows.iter().map(|(time_s, current_a)| {
        vec![fine.at(*time_s), Quantity::amperes(*current_a).to_string()]
    });
    page.table(&["time", "current"], rows.collect());

    sampling(&mut page, findings, capture, &clock);
    if !findings.cautions.is_empty() {
        page.heading("Before you rely on this");
        for caution in &findings.cautions {
            page.item("!", &printable(&caution.text));
        }
    }
    page.heading("The same reading, every choice spelt out");
    command(findings, page.width()).iter().for_each(|line| page.drawing(line));
    page.finish()
}

fn headline(findings: &InspectFindings, clock: &Clock) -> String {
    let (facts, totals) = (&findings.capture, &findings.totals);
    let start = clock.start_in_full().map_or(String::new(), |start| format!(" from {start}"));
    format!(
        "{}: {} over {}{start}; {} on average, {} to {}, {}.",
        printable(&facts.file),
        words::count(facts.samples, "reading", "readings"),
        words::duration(facts.duration_s),
        Quantity::amperes(totals.mean_a),
        Quantity::amperes(totals.minimum_a),
        Quantity::amperes(totals.maximum_a),
        Quantity::new(totals.charge_ah, Unit::AmpereHour),
    )
}

/// One character a column: the highest reading in it, a space where there is none, `!` for
/// overload.
fn drawing(page: &mut Page, findings: &InspectFindings, capture: &Capture, clock: &Clock) {
    let columns = page.width().saturating_sub(4);
    let duration_s = findings.capture.duration_s;
    let thinned = Trace::plain(&capture.samples).columns(0.0, duration_s, columns);
    // The full height is reached by one column in twenty, so that an inrush does not flatten the rest.
    let mut highs: Vec<f64> = thinned.iter().flatten().map(|column| column.high_a).collect();
    highs.sort_by(f64::total_cmp);
    let Some(full_a) = highs.get((0.95 * highs.len() as f64) as usize).copied() else { return };
    let mut lows: Vec<f64> = thinned.iter().flatten().map(|column| column.low_a).collect();
    lows.sort_by(f64::total_cmp);
    let low_a = lows[lows.len() / 20].min(0.0);
    let range_a = full_a - low_a;
    if range_a <= 0.0 || duration_s <= 0.0 {
        return;
    }
    let mut line: Vec<char> = thinned
        .iter()
        .map(|column| match column {
            Some(column) => {
                let share = ((column.high_a - low_a) / range_a).clamp(0.0, 1.0);
                BARS[(share * 7.0).round() as usize]
            }
            None => ' ',
        })
        .collect();
    for overload in &capture.overload {
        let place = |time_s: f64| {
            ((time_s / duration_s * columns as f64) as usize).min(columns.saturating_sub(1))
        };
        line[place(overload.span.start_s)..=place(overload.span.end_s)].fill('!');
    }
    page.drawing(&line.into_iter().collect::<String>());
    let (from, to) = (clock.at(0.0), clock.at(duration_s));
    let room = columns.saturating_sub(from.chars().count() + to.chars().count());
    page.drawing(&format!("{from}{}{to}", " ".repeat(room)));
    page.note(&format!("full height: {}", Quantity::amperes(full_a)));
}

fn sampling(page: &mut Page, findings: &InspectFindings, capture: &Capture, clock: &Clock) {
    let facts = &findings.capture;
    page.heading("Sampling");
    let fine = clock.fine(facts.sampling_interval_s);
    if let Some(interval_s) = facts.sampling_interval_s.filter(|interval_s| *interval_s > 0.0) {
        let mut text = format!("Sampled {}", words::sampled(interval_s));
        if let Some((short_s, long_s)) = capture.sampling.interval_range_s
            && long_s > 1.001 * short_s
        {
            text.push_str(&format!(
                ", from {} to {} apart",
                words::duration(short_s),
                words::duration(long_s)
            ));
        }
        page.item("-", &format!("{text}."));
    }
    if facts.gaps.is_empty() {
        page.item("-", "No gaps.");
    }
    for gap in facts.gaps.iter().take(super::ROWS) {
        let text = format!(
            "Gap from {} to {} ({}).",
            fine.at(gap.start_s),
            fine.at(gap.end_s),
            words::duration(gap.length_s())
        );
        page.item("-", &text);
    }
    page.more(facts.gaps.len(), super::ROWS, "gap", "gaps");
    page.item(
        "-",
        &match facts.resolution_a {
            Some(resolution_a) => format!("Readings step by {}.", words::set_current(resolution_a)),
            None => "No rounding shows in the readings.".to_owned(),
        },
    );
    if facts.overload_samples > 0 {
        let cells = words::count(facts.overload_samples, "reading", "readings");
        page.item("-", &format!("Overload in {cells}, marked ! above."));
    }
    let lost = [(capture.missing, "blank cell"), (facts.unreadable_rows, "unreadable row")];
    for (n, what) in lost.into_iter().filter(|(n, _)| *n > 0) {
        page.item("-", &format!("{} left out.", words::count(n, what, &format!("{what}s"))));
    }
}

/// The command in lines that a shell puts together again; no option is parted.
fn command(findings: &InspectFindings, width: usize) -> Vec<String> {
    let mut lines = vec![format!("ebbmark inspect {}", printable(&quoted(&findings.capture.file)))];
    for option in findings.capture.decisions.iter().filter_map(|d| d.option.as_deref()) {
        let option = printable(option);
        let Some(last) = lines.last_mut() else { continue };
        if last.chars().count() + option.chars().count() + 6 <= width {
            last.push_str(&format!(" {option}"));
        } else {
            last.push_str(" \\");
            lines.push(format!("  {option}"));
        }
    }
    lines
}

fn quoted(file: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./\\:".contains(c);
    if !file.is_empty() && file.chars().all(plain) {
        file.to_owned()
    } else {
        format!("'{}'", file.replace('\'', "'\\''"))
    }
}
