//! Dates and times of day that stand in digits alone, in columns named after their parts.

use super::super::columns::{Column, shown};
use super::super::table::Table;
use super::{Clock, Found, TIME_WORDS, decide};
use crate::findings::{Caution, Decision};

/// Year, month, day, hour, minute and second in a column each, named so; or a date in one, and the hour and minute, with
/// or without the second, in others; or hour, minute and second alone.
pub(super) fn in_named_parts(
    table: &Table,
    columns: &[Column],
    current: usize,
    set_aside: &[usize],
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Option<Found> {
    const NAMES: [&[&str]; 6] = [
        &["year", "yyyy", "yr", "jahr", "année", "año", "anno"],
        &["month", "mon", "mo", "monat", "mois", "mes", "mese"],
        &["day", "dd", "tag", "jour", "día", "dia", "giorno"],
        &["hour", "hours", "hh", "hr", "stunde", "heure", "hora", "ora"],
        &["minute", "minutes", "min", "minuto"],
        &["second", "seconds", "sec", "ss", "sekunde", "seconde", "segundo", "secondo"],
    ];
    const LIMITS: [(f64, f64); 6] =
        [(1970.0, 2100.0), (1.0, 12.0), (1.0, 31.0), (0.0, 23.0), (0.0, 59.0), (0.0, 60.999)];
    let place = |(names, (low, high)): (&[&str], (f64, f64))| {
        columns
            .iter()
            .find(|c| {
                names.contains(&c.name.trim().to_lowercase().as_str())
                    && c.numeric()
                    && c.low >= low
                    && c.high <= high
                    && c.place != current
                    && !set_aside.contains(&c.place)
            })
            .map(|c| c.place)
    };
    let places: Vec<Option<usize>> = NAMES.into_iter().zip(LIMITS).map(place).collect();
    let whole =
        |at: Option<usize>| at.filter(|at| columns.iter().any(|c| c.place == *at && c.integers));
    let (hour, minute) = (whole(places[3])?, whole(places[4])?);
    let days: Option<Vec<usize>> = places[..3].iter().copied().collect();
    let (mut places, mut format, told, seconds) = match (days, places[5]) {
        (Some(days), Some(second)) => (days, "%Y %m %d".to_owned(), "six columns", Some(second)),
        (None, Some(second)) if no_other_clock(columns, [hour, minute, second]) => {
            (Vec::new(), String::new(), "columns", Some(second))
        }
        (_, second) => {
            let (date, format) = date_alone(table, columns, cautions)?;
            (vec![date], format, "columns", second)
        }
    };
    let told =
        if places.is_empty() { "time of day" } else { "date and time" }.to_owned() + " in " + told;
    places.extend([hour, minute]);
    format.push_str(" %H %M");
    if let Some(second) = seconds {
        places.push(second);
        format.push_str(" %S%.f");
    }
    decide(decisions, "clock", told, "columns are named after their parts".to_owned(), None);
    let clock = Clock::Pattern { columns: places, format };
    Some(Found { clock, origin: None, utc: false, span: false, wraps_s: None })
}

/// No column but those of the hour, minute and second is a time or named like one.
fn no_other_clock(columns: &[Column], parts: [usize; 3]) -> bool {
    let timed = |c: &Column| c.words().iter().any(|w| TIME_WORDS.contains(&w.as_str()));
    columns.iter().filter(|c| !parts.contains(&c.place)).all(|c| c.times == 0 && !timed(c))
}

/// The column of dates without times, and their pattern.
fn date_alone(
    table: &Table,
    columns: &[Column],
    cautions: &mut Vec<Caution>,
) -> Option<(usize, String)> {
    const FORMATS: [&str; 8] = [
        "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y",
        "%m-%d-%Y",
    ];
    let mut dated = columns.iter().filter(|c| c.times > 0 && c.numbers + c.texts == 0);
    let date = dated.next().filter(|_| dated.next().is_none())?;
    let cells: Option<Vec<&str>> =
        table.sample.iter().map(|row| std::str::from_utf8(row.get(date.place)?).ok()).collect();
    let mut cells = cells?;
    cells.dedup();
    let mut fits = FORMATS
        .iter()
        .filter(|f| cells.iter().all(|text| jiff::fmt::strtime::parse(f, text).is_ok()));
    let format = fits.next()?;
    if let Some(other) = fits.next() {
        cautions.push(order_open(cells[0], format, &format!("{other} %H %M %S")));
    }
    Some((date.place, (*format).to_owned()))
}

fn order_open(date: &str, format: &str, overrule: &str) -> Caution {
    Caution::new(
        "date-order",
        format!(
            "the date \"{}\" can be read in more than one order; {format} was chosen because it is the commonest: overrule with --clock-format \"{overrule}\"",
            shown(date)
        ),
    )
}

/// A column of dates and one of times of day, both in six digits (IEC 61162-1: `ddmmyy` and `hhmmss`) or the date in
/// eight.
pub(super) fn in_bare_digits(
    table: &Table,
    columns: &[Column],
    set_aside: &[usize],
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Option<Found> {
    let named = |names: &[&str]| {
        columns.iter().find(|c| {
            c.numeric()
                && c.texts + c.times + c.overloads == 0
                && !set_aside.contains(&c.place)
                && c.words().iter().any(|word| names.contains(&word.as_str()))
        })
    };
    let date = named(&["date", "datum", "fecha", "data", "dato"])?;
    let time = named(&["time", "utc", "zeit", "uhrzeit", "hora", "heure", "ora"])?;
    if date.place == time.place {
        return None;
    }
    let cells = |place: usize| -> Option<Vec<&str>> {
        table.sample.iter().map(|row| std::str::from_utf8(row.get(place)?).ok()).collect()
    };
    let (mut dates, times) = (cells(date.place)?, cells(time.place)?);
    dates.dedup();
    let reads = |format: &str, texts: &[&str]| {
        texts.iter().all(|text| jiff::fmt::strtime::parse(format, text).is_ok())
    };
    let whole = |text: &str| text.split('.').next().unwrap_or_default().len() == 6;
    let formats: &[&str] = match dates.first()?.len() {
        6 => &["%d%m%y", "%y%m%d", "%m%d%y"],
        8 => &["%Y%m%d", "%d%m%Y", "%m%d%Y"],
        _ => return None,
    };
    let mut fits = formats.iter().filter(|format| reads(format, &dates));
    let format = fits.next()?;
    if !times.iter().all(|text| whole(text)) || !reads("%H%M%S%.f", &times) {
        return None;
    }
    if let Some(other) = fits.next() {
        cautions.push(order_open(dates[0], format, &format!("{other} %H%M%S")));
    }
    let format = format!("{format} %H%M%S%.f");
    decide(
        decisions,
        "clock",
        format!("date in `{}`, time in `{}`, in digits alone", date.title(), time.title()),
        format!("cells such as \"{}\" and \"{}\"", shown(dates[0]), shown(times[0])),
        Some(format!("--clock-format \"{format}\"")),
    );
    let clock = Clock::Pattern { columns: vec![date.place, time.place], format };
    Some(Found { clock, origin: None, utc: false, span: false, wraps_s: None })
}
