//! Dates and times of day that stand in digits alone, in columns named after their parts.

use super::super::columns::{Column, shown};
use super::super::table::Table;
use super::{Clock, Found, decide};
use crate::findings::{Caution, Decision};

/// Year, month, day, hour, minute and second in a column each, named so.
pub(super) fn in_six_columns(
    columns: &[Column],
    current: usize,
    set_aside: &[usize],
    decisions: &mut Vec<Decision>,
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
    let places: Vec<usize> = NAMES.into_iter().zip(LIMITS).map(place).collect::<Option<_>>()?;
    decide(
        decisions,
        "clock",
        "date and time in six columns".to_owned(),
        "columns are named year, month, day, hour, minute and second".to_owned(),
        None,
    );
    let format = "%Y %m %d %H %M %S%.f".to_owned();
    let clock = Clock::Pattern { columns: places, format };
    Some(Found { clock, origin: None, utc: false, span: false, wraps_s: None })
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
        cautions.push(Caution::new(
            "date-order",
            format!(
                "the date \"{}\" can be read in more than one order; {format} was chosen because it is the commonest: overrule with --clock-format \"{other} %H%M%S\"",
                shown(dates[0])
            ),
        ));
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
