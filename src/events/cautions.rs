//! What a reader must know of the list before relying on the ties.

use super::align::{Answer, COARSE_S};
use super::decode::Tie;
use super::evidence::{Evidence, Way};
use super::place::{Hold, Placed};
use super::{Action, EventLine, EventList, TiedEvent};
use crate::findings::Caution;
use crate::jobsheet::{JobSheet, nearest, same_name};
use crate::numeric::duration;
use crate::segment::Segmentation;

/// An offset that deserves a word, seconds.
const LARGE_S: f64 = 120.0;
/// A tie below this probability is doubtful.
const DOUBTFUL: f64 = 0.9;

pub(super) struct Told<'a> {
    pub(super) list: &'a EventList,
    pub(super) evidence: &'a Evidence,
    pub(super) placed: &'a Placed,
    pub(super) answer: &'a Answer,
    pub(super) ties: &'a [Tie],
    pub(super) events: &'a [TiedEvent],
}

pub(super) fn all(
    told: &Told<'_>,
    segmentation: &Segmentation,
    sheet: &JobSheet,
    duration_s: f64,
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    clock(told, &mut cautions);
    lines(told, segmentation, duration_s, &mut cautions);
    coarse(told, segmentation, &mut cautions);
    names(told.list, sheet, &mut cautions);
    alone(told.list, sheet, &mut cautions);
    cautions
}

/// Which clock is ahead: `listed + offset = capture time`.
fn offset_words(offset_s: f64) -> String {
    let way = if offset_s > 0.0 { "behind" } else { "ahead of" };
    format!("the list's clock is {} {way} the capture's", duration(offset_s.abs()))
}

fn clock(told: &Told<'_>, cautions: &mut Vec<Caution>) {
    let (answer, hold) = (told.answer, told.placed.hold);
    let offset_s = answer.setting.offset_s;
    if !answer.found {
        cautions.push(Caution::new(
            "clock-not-found",
            "the steps do not tell how the list's clock stands to the capture's; the times are \
             taken as they stand: compare the two clocks, or switch one load on and off twice in a \
             rhythm of its own and list it",
        ));
    } else if !answer.rivals_s.is_empty() || answer.share < DOUBTFUL {
        let rivals: Vec<String> =
            answer.rivals_s.iter().map(|rival| format!("{rival:+.0} s")).collect();
        let others = if rivals.is_empty() { "another".to_owned() } else { rivals.join(", ") };
        cautions.push(Caution::new(
            "clock-ambiguous",
            format!(
                "the steps fit the list at an offset of {offset_s:+.0} s, and nearly as well at \
                 {others}: compare the two clocks, or add a line that breaks the rhythm"
            ),
        ));
    }
    if hold == Hold::Floating && answer.found {
        cautions.push(Caution::new(
            "clock-from-pattern",
            "the capture shows no date: the list was laid on it by the pattern of its steps alone",
        ));
    } else if answer.found && offset_s.abs() > LARGE_S {
        let half_hours = (offset_s / 1800.0).round();
        let near_half_hours = (offset_s - half_hours * 1800.0).abs() < 180.0 && half_hours != 0.0;
        let days = (offset_s / 86_400.0).round();
        let (code, guess) = if days != 0.0 && (offset_s - days * 86_400.0).abs() < 7200.0 {
            ("clock-shifted", "; one of the two has a wrong date")
        } else if near_half_hours && half_hours % 2.0 == 0.0 {
            ("clock-shifted", "; a time zone, summer time, or am for pm?")
        } else if offset_s.abs() > 7200.0 {
            ("clock-shifted", "; a time zone?")
        } else {
            ("clock-offset-large", "")
        };
        cautions.push(Caution::new(code, format!("{}{guess}", offset_words(offset_s))));
    }
    if answer.drift_found {
        cautions.push(Caution::new(
            "clock-drift",
            format!(
                "the two clocks drift apart by {:.1} s an hour; the times are corrected for it",
                answer.setting.drift_s_per_h.abs()
            ),
        ));
    }
}

fn lines(
    told: &Told<'_>,
    segmentation: &Segmentation,
    duration_s: f64,
    cautions: &mut Vec<Caution>,
) {
    let mut outside = Vec::new();
    let mut unseen = Vec::new();
    let mut unclear = Vec::new();
    let mut doubtful = Vec::new();
    let mut contrary = Vec::new();
    let mut no_zero = Vec::new();
    let mut together = Vec::new();
    for (i, (event, line)) in told.events.iter().zip(&told.evidence.lines).enumerate() {
        let slack_s = line.rounding_s + 3.0 * told.answer.uncertainty_s + 60.0;
        if event.aligned_s < -slack_s || event.aligned_s > duration_s + slack_s {
            outside.push(named(&event.line));
            continue;
        }
        if line.way == Way::Zero {
            if event.zero_segment.is_none() {
                no_zero.push(named(&event.line));
            }
            continue;
        }
        match event.step {
            None if has_partner(told, i) => {
                together.push(named(&event.line));
                continue;
            }
            None => {
                let sure = event.probability >= DOUBTFUL * told.answer.share;
                if sure { &mut unseen } else { &mut unclear }.push(named(&event.line));
                continue;
            }
            Some(step) => {
                let up = segmentation.steps[step].delta_a * told.answer.setting.turn > 0.0;
                if (line.way == Way::Up && !up) || (line.way == Way::Down && up) {
                    contrary.push(named(&event.line));
                }
            }
        }
        let strange = told.ties[i].mark.is_some_and(|mark| {
            let (mark, probability) = (&told.evidence.marks[mark], event.probability);
            // Coarse times are told of as a whole.
            told.answer.is_strange(mark, line, probability)
                || told.answer.may_be_far(mark, line, probability)
        });
        if strange || event.probability < DOUBTFUL * told.answer.share {
            doubtful.push(named(&event.line));
        }
    }
    let mut tell = |code: &str, found: Vec<String>, one: &str, more: &str| {
        if !found.is_empty() {
            let words = if found.len() == 1 { one } else { more };
            cautions.push(Caution::new(code, format!("{} {words}", found.join(", "))));
        }
    };
    tell("event-outside", outside, "lies outside the capture", "lie outside the capture");
    tell(
        "event-without-step",
        unseen,
        "shows no step: the load did nothing that this meter can see, or was not switched",
        "show no step: the loads did nothing that this meter can see, or were not switched",
    );
    tell(
        "event-unclear",
        unclear,
        "may have made a step close by that other lines or nothing at all can have made too; it is \
         left without one: list the times to the second, and switch the load again, alone",
        "may have made steps close by that other lines or nothing at all can have made too; they \
         are left without: list the times to the second, and switch each load again, alone",
    );
    tell(
        "switched-together",
        together,
        "shares its step with a line of the same moment: to tell the two apart, switch one alone",
        "share their steps with lines of the same moment: to tell them apart, switch one alone",
    );
    tell(
        "event-doubtful",
        doubtful,
        "may belong to another step than the one it is tied to, or to none: leave more time between \
         switchings, and list them to the second",
        "may belong to other steps than those they are tied to, or to none: leave more time between \
         switchings, and list them to the second",
    );
    tell(
        "step-contradicts-event",
        contrary,
        "moved the current the other way than the line says",
        "moved the current the other way than the lines say",
    );
    tell(
        "zero-check-without-zero",
        no_zero,
        "is a zero check, but the current was not near its lowest then: something was powered, or \
         the time is wrong",
        "are zero checks, but the current was not near its lowest then: something was powered, or \
         the times are wrong",
    );
}

/// True when a tied line of the same moment moved the current the same way.
fn has_partner(told: &Told<'_>, line: usize) -> bool {
    (0..told.events.len())
        .any(|other| told.events[other].step.is_some() && told.evidence.together(other, line))
}

/// Lines whose rounding spans more than one step that they could be tied to.
fn coarse(told: &Told<'_>, segmentation: &Segmentation, cautions: &mut Vec<Caution>) {
    let rounding_s = told.evidence.lines.iter().map(|l| l.rounding_s).fold(0.0, f64::max);
    let up = |step: usize| segmentation.steps[step].delta_a > 0.0;
    let near = |tied: usize| {
        let at_s = segmentation.steps[tied].time_s;
        let mut others = (0..segmentation.steps.len()).filter(|other| *other != tied);
        others
            .any(|o| (segmentation.steps[o].time_s - at_s).abs() < rounding_s && up(o) == up(tied))
    };
    let mut tied = told.events.iter().filter_map(|event| event.step);
    if rounding_s >= COARSE_S && tied.any(near) {
        cautions.push(Caution::new(
            "times-coarse",
            format!(
                "the times are written to {}, and steps lie closer together than that: which step \
                 belongs to which line rests on their order, direction and size; list times to the \
                 second",
                duration(rounding_s)
            ),
        ));
    }
}

fn named(line: &EventLine) -> String {
    let what = match line.action {
        Action::Zero => "zero check".to_owned(),
        Action::On | Action::Off | Action::To(_) => format!("\"{} {}\"", line.load, line.state),
    };
    format!("line {} ({what})", line.row)
}

/// A load that is named once, like another that lacks a line to be switched on and off as often, and states
/// of several loads that never say on or off. What a job sheet knows is meant.
fn alone(list: &EventList, sheet: &JobSheet, cautions: &mut Vec<Caution>) {
    let switched = || list.lines.iter().filter(|line| line.action != Action::Zero);
    let times = |name: &str| switched().filter(|line| same_name(&line.load, name)).count();
    for line in switched().filter(|line| times(&line.load) == 1 && sheet.load(&line.load).is_none())
    {
        let others: Vec<&str> = switched()
            .map(|other| other.load.as_str())
            .filter(|other| times(other) > 1 && times(other) % 2 == 1)
            .collect();
        if let Some(name) = nearest(&line.load, &others).filter(|_| sheet.loads.is_empty()) {
            cautions.push(Caution::new(
                "load-named-once",
                format!(
                    "the load \"{}\" stands in line {} alone; did you mean \"{name}\"?",
                    line.load, line.row
                ),
            ));
        }
    }
    let states: Vec<&str> = switched()
        .filter(|line| matches!(line.action, Action::To(_)) && sheet.load(&line.load).is_none())
        .map(|line| line.state.as_str())
        .collect();
    let first = switched().next().map_or("", |line| line.load.as_str());
    let several = switched().any(|line| !same_name(&line.load, first));
    if let Some(state) = states.first().filter(|_| several && states.len() == switched().count()) {
        cautions.push(Caution::new(
            "never-on-or-off",
            format!(
                "no line says on or off: \"{state}\" and the like were taken for states in which a load draws; \
                 write `off` where it draws nothing"
            ),
        ));
    }
}

/// Loads and states that the job sheet does not list, each with the nearest name that it does.
fn names(list: &EventList, sheet: &JobSheet, cautions: &mut Vec<Caution>) {
    if sheet.loads.is_empty() {
        return;
    }
    let known: Vec<&str> = sheet.loads.iter().map(|load| load.name.as_str()).collect();
    let mut told: Vec<String> = Vec::new();
    for line in list.lines.iter().filter(|line| line.action != Action::Zero) {
        let suggestion = |name: Option<&str>| {
            name.map_or_else(
                || "; add it there".to_owned(),
                |name| format!("; did you mean \"{name}\"?"),
            )
        };
        let (code, text) = match (sheet.load(&line.load), &line.action) {
            (None, _) => (
                "load-not-in-sheet",
                format!(
                    "the load \"{}\" (line {}) is not in the job sheet{}",
                    line.load,
                    line.row,
                    suggestion(nearest(&line.load, &known))
                ),
            ),
            (Some(load), Action::To(state))
                if !load.states.is_empty() && load.state(state).is_none() =>
            {
                let states: Vec<&str> = load.states.iter().map(|s| s.name.as_str()).collect();
                (
                    "state-not-in-sheet",
                    format!(
                        "the state \"{state}\" of \"{}\" (line {}) is not in the job sheet{}",
                        load.name,
                        line.row,
                        suggestion(nearest(state, &states))
                    ),
                )
            }
            (Some(_), _) => continue,
        };
        let key =
            format!("{} {}", line.load, if code == "load-not-in-sheet" { "" } else { &line.state })
                .to_lowercase();
        if !told.contains(&key) {
            told.push(key);
            cautions.push(Caution::new(code, text));
        }
    }
}
