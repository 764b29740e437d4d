//! What the batch as a whole tells beside its single units: two groups, a drift over the order of test, a
//! rig or a day unlike the others.

use crate::findings::{Caution, Measure};

use super::beside::listed;
use super::column::Column;
use super::headline::{name_of, shown};
use super::order::{TwoGroups, in_one_step, turning};
use super::outliers::median;
use super::setups::{Differs, Setups};

/// Units that may lie in the other group than theirs where two groups are told as the same ones.
const ALIKE: f64 = 0.05;
/// The same of the smaller group where the order of test parts them.
const PARTED: f64 = 0.1;

/// Something about the batch as a whole.
#[derive(Debug)]
pub(super) struct Told {
    /// For the headline.
    pub(super) sentence: String,
    pub(super) caution: Caution,
}

fn name(column: &Column<'_>) -> String {
    let (measure, load, state) = column.key;
    name_of(*measure, load.as_deref(), state.as_deref())
}

fn value(column: &Column<'_>, value: f64) -> String {
    let measure: Measure = column.key.0;
    shown(measure, value)
}

/// `The draw`, or `The draw and 2 other quantities`, before a verb of one or of many.
fn subject(columns: &[&Column<'_>], one: &str, many: &str) -> String {
    let first = columns.first().map_or_else(String::new, |column| name(column));
    match columns {
        [_] => format!("The {first} {one}"),
        [_, other] => format!("The {first} and the {} {many}", name(other)),
        _ => format!("The {first} and {} other quantities {many}", columns.len() - 1),
    }
}

/// Where the order of test parts two groups: the place of the first unit behind, and how many lie on the wrong
/// side.
pub(super) fn parted(column: &Column<'_>) -> Option<(usize, usize)> {
    let groups = column.groups.as_ref()?;
    let high: Vec<bool> = column.means.iter().map(|mean| groups.is_high(*mean)).collect();
    let most = PARTED * groups.smaller() * high.len() as f64;
    turning(&high).filter(|(_, wrong)| *wrong as f64 <= most)
}

/// Columns that fall into two groups, those that part the units alike told together.
pub(super) fn groups(columns: &[Column<'_>], not_normal: &[bool]) -> Vec<Told> {
    let mut kinds: Vec<Vec<(&Column<'_>, &TwoGroups, bool)>> = Vec::new();
    for (column, not_normal) in columns.iter().zip(not_normal) {
        let Some(groups) = &column.groups else { continue };
        let alike =
            kinds.iter_mut().find(|kind| parts_alike((kind[0].0, kind[0].1), (column, groups)));
        match alike {
            Some(kind) => kind.push((column, groups, *not_normal)),
            None => kinds.push(vec![(column, groups, *not_normal)]),
        }
    }
    kinds.iter().map(|kind| two_groups(kind)).collect()
}

/// Whether two quantities put the same units into the higher group, or all but a few.
fn parts_alike(a: (&Column<'_>, &TwoGroups), b: (&Column<'_>, &TwoGroups)) -> bool {
    let other = |unit: &str| b.0.units.iter().find(|of| of.unit == unit);
    let both: Vec<bool> = (a.0.units.iter())
        .filter_map(|unit| Some(a.1.is_high(unit.mean) == b.1.is_high(other(unit.unit)?.mean)))
        .collect();
    let unlike = both.iter().filter(|alike| !**alike).count() as f64;
    !both.is_empty() && unlike <= ALIKE * both.len() as f64
}

fn two_groups(kind: &[(&Column<'_>, &TwoGroups, bool)]) -> Told {
    let (column, groups, _) = kind[0];
    let high: Vec<bool> = column.units.iter().map(|unit| groups.is_high(unit.mean)).collect();
    let higher = high.iter().filter(|high| **high).count();
    let higher_is_smaller = 2 * higher <= high.len();
    let smaller: Vec<String> = (column.units.iter().zip(&high))
        .filter(|(_, high)| **high == higher_is_smaller)
        .map(|(unit, _)| unit.unit.to_owned())
        .collect();
    let which = if higher_is_smaller { "higher" } else { "lower" };
    let named: Vec<&Column<'_>> = kind.iter().map(|(column, ..)| *column).collect();
    let others: Vec<String> =
        named[1..].iter().map(|column| format!("the {}", name(column))).collect();
    let alike = match others.len() {
        0 => String::new(),
        1 => format!(", and so does {}", others[0]),
        _ => format!(", and so do {}", others.join(", ")),
    };
    let parted = parted(column).map_or_else(String::new, |(at, wrong)| {
        let but = if wrong == 0 { String::new() } else { format!(" (but for {wrong})") };
        format!(
            " The order of test parts them{but}: look at what changed between {} and {}.",
            column.units[at - 1].unit,
            column.units[at].unit
        )
    });
    let unquoted = match kind.iter().any(|(.., not_normal)| *not_normal) {
        true => " No capability is quoted of both together.",
        false => "",
    };
    Told {
        sentence: format!(
            "{} into two groups, {higher} of {} units in the higher.",
            subject(&named, "falls", "fall"),
            high.len()
        ),
        caution: Caution::new(
            "two-groups",
            format!(
                "The {} falls into two groups about {} and {} ({:.0} % in the higher){alike}: look for a second rig, a second reel of parts or a second firmware. In the {which}: {}.{parted}{unquoted}",
                name(column),
                value(column, groups.low),
                value(column, groups.high),
                100.0 * groups.share_high,
                listed(&smaller),
            ),
        ),
    }
}

/// Columns that drift over the order of test, all in one caution.
pub(super) fn drifts(columns: &[&Column<'_>]) -> Option<Told> {
    let mut found: Vec<(&Column<'_>, f64, f64)> =
        columns.iter().filter_map(|column| column.trend.map(|(z, p)| (*column, z, p))).collect();
    found.sort_by(|a, b| a.2.total_cmp(&b.2));
    let (first, ..) = *found.first()?;
    let item = |(at, (column, z, p)): (usize, &(&Column<'_>, f64, f64))| {
        let third = column.means.len() / 3;
        let of = |values: &[f64]| value(column, median(values).unwrap_or_default());
        let (from, to) =
            (of(&column.means[..third]), of(&column.means[column.means.len() - third..]));
        let way = if *z > 0.0 { "rises" } else { "falls" };
        let the = if at == 0 { "The" } else { "the" };
        let (over, first, last, test) = match at {
            0 => {
                (" over the order of test", " in its first third", " in its last", "Mann-Kendall, ")
            }
            _ => ("", "", "", ""),
        };
        format!(
            "{the} {} {way}{over}, from about {from}{first} to {to}{last} ({test}probability {p:.1e})",
            name(column)
        )
    };
    let items: Vec<String> = found.iter().enumerate().map(item).collect();
    let named: Vec<&Column<'_>> = found.iter().map(|(column, ..)| *column).collect();
    let step = in_one_step(&first.means).map_or_else(String::new, |at| {
        format!(
            " It is a step rather than a slope: look at what changed between {} and {}.",
            first.units[at - 1].unit,
            first.units[at].unit
        )
    });
    Some(Told {
        sentence: format!("{} over the order of test.", subject(&named, "drifts", "drift")),
        caution: Caution::new(
            "order-trend",
            format!(
                "{}: look at the rig's temperature, supply and warm-up before blaming units.{step}",
                items.join("; ")
            ),
        ),
    })
}

/// Columns that differ between the folders or the days of the captures, all in one caution.
pub(super) fn setups(setups: &Setups, found: &[(&Column<'_>, &Differs)]) -> Option<Told> {
    let mut found = found.to_vec();
    found.sort_by(|a, b| a.1.p.total_cmp(&b.1.p));
    let (_, differs) = *found.first()?;
    let named: Vec<&Column<'_>> = found.iter().map(|(column, _)| *column).collect();
    let kind = setups.kind;
    let at_one = if kind == "day" { "on" } else { "in" };
    let item = |(at, (column, differs)): (usize, &(&Column<'_>, &Differs))| {
        let (the, between, test) = match at {
            0 => ("The", format!(" differs between the {kind}s"), "analysis of variance, "),
            _ => ("the", String::new(), ""),
        };
        let ((low, least), (high, most)) = (&differs.low, &differs.high);
        format!(
            "{the} {}{between}: about {} {at_one} {high}, {} {at_one} {low} ({test}probability {:.1e})",
            name(column),
            value(column, *most),
            value(column, *least),
            differs.p
        )
    };
    let items: Vec<String> = found.iter().enumerate().map(item).collect();
    let next = if differs.same_units {
        format!(
            "The same units were captured in each {kind}, so it is the rig or the day, not the units."
        )
    } else {
        format!(
            "Before blaming units or parts, capture some units of one {kind} again as those of the other were."
        )
    };
    Some(Told {
        sentence: format!(
            "{} between the {kind}s of the captures, highest {at_one} {}.",
            subject(&named, "differs", "differ"),
            differs.high.0
        ),
        caution: Caution::new("setups-differ", format!("{}. {next}", items.join("; "))),
    })
}
