//! Captures composed at random from everything that exports do, with the truth known.

use std::fmt::Write as _;

use jiff::civil::DateTime;

/// A made file and what a right reading of it gives.
#[derive(Debug, Clone)]
pub(crate) struct Made {
    pub(crate) bytes: Vec<u8>,
    /// The same as text, for messages.
    pub(crate) text: String,
    /// Times from the first sample, seconds.
    pub(crate) times: Vec<f64>,
    pub(crate) amperes: Vec<f64>,
    pub(crate) start: Option<DateTime>,
    pub(crate) missing: u64,
    pub(crate) overload: u64,
    /// Cautions that a reading may have when its doubt is real.
    pub(crate) doubts: Vec<&'static str>,
}

/// Choices, one byte each; zero is the simplest.
struct Choices<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Choices<'_> {
    fn below(&mut self, n: usize) -> usize {
        let byte = self.bytes.get(self.at).copied().unwrap_or(0);
        self.at += 1;
        usize::from(byte) % n
    }

    fn one<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Clock {
    Elapsed { unit: &'static str, scale: f64 },
    Iso { between: char },
    Offset,
    German,
    Slashed { month_first: bool, half_day: bool },
    TimeOfDay,
    TwoColumns { date_first: bool },
    Epoch { scale: f64 },
    MonthName,
    Serial,
    Spans,
    Compact,
}

/// Where the unit of current stands.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Place {
    Brackets,
    Square,
    Slash,
    Suffix,
    UnitsRow,
    Cells,
    CellsSpaced,
    Beside,
    Preamble,
    Bare,
}

/// How many choices [`make`] takes.
pub(crate) const CHOICES: usize = 96;

/// Makes a file from choices.
pub(crate) fn make(bytes: &[u8]) -> Made {
    let mut c = Choices { bytes, at: 0 };
    let delimiter = c.one(&[",", ";", "\t", "|", ", ", " ; "]);
    let mut comma = c.below(2) == 1;
    let quoted = c.below(4) == 3;
    if delimiter.trim() == "," && !quoted {
        comma = false;
    }
    let (symbol, unit_a, digits) = c.one(&[
        ("A", 1.0, 3),
        ("mA", 1e-3, 1),
        ("µA", 1e-6, 0),
        ("mA", 1e-3, 3),
        ("A", 1.0, 6),
        ("µA", 1e-6, 2),
    ]);
    let place = c.one(&[
        Place::Brackets,
        Place::Square,
        Place::Slash,
        Place::Suffix,
        Place::UnitsRow,
        Place::Cells,
        Place::CellsSpaced,
        Place::Beside,
        Place::Preamble,
        Place::Bare,
    ]);
    let clock = c.one(&[
        Clock::Elapsed { unit: "s", scale: 1.0 },
        Clock::Elapsed { unit: "ms", scale: 1e-3 },
        Clock::Elapsed { unit: "min", scale: 60.0 },
        Clock::Iso { between: ' ' },
        Clock::Iso { between: 'T' },
        Clock::Offset,
        Clock::German,
        Clock::Slashed { month_first: false, half_day: false },
        Clock::Slashed { month_first: true, half_day: true },
        Clock::TimeOfDay,
        Clock::TwoColumns { date_first: true },
        Clock::TwoColumns { date_first: false },
        Clock::Epoch { scale: 1.0 },
        Clock::Epoch { scale: 1e-3 },
        Clock::MonthName,
        Clock::Serial,
        Clock::Spans,
        Clock::Compact,
    ]);
    let rows = 10 + c.below(30);
    let whole_seconds = !matches!(
        clock,
        Clock::Elapsed { .. } | Clock::Iso { .. } | Clock::Offset | Clock::Epoch { .. }
    );
    let interval_ms: u64 = if whole_seconds {
        c.one(&[1000, 2000, 10_000, 60_000])
    } else {
        c.one(&[1000, 500, 100, 2000, 60_000])
    };
    let interval_ms = if matches!(clock, Clock::Epoch { scale } if scale == 1.0) {
        1000.max(interval_ms)
    } else {
        interval_ms
    };
    let interval_ms = if matches!(clock, Clock::Serial) { 60_000 } else { interval_ms };
    // Minutes with five decimals hold whole tenths of a minute only.
    let interval_ms =
        if matches!(clock, Clock::Elapsed { unit: "min", .. }) { 6_000 } else { interval_ms };
    let day = 1 + c.below(28) as i8;
    let month = 1 + c.below(12) as i8;
    let hour = c.below(24) as i8;
    let minute = c.below(60) as i8;
    let begin =
        DateTime::new(2024 + c.below(4) as i16, month, day, hour, minute, c.below(60) as i8, 0)
            .unwrap();
    let gap_at = if c.below(4) == 3 { Some(3 + c.below(rows - 4)) } else { None };
    // The gap stays clear of what would change the meaning of a time of day.
    let gap_ms = 40 * interval_ms;

    let offset_ms =
        |i: usize| i as u64 * interval_ms + gap_at.map_or(0, |at| if i >= at { gap_ms } else { 0 });
    let base = c.one(&[0.137, 0.008, 2.4, 0.00041]);
    let signed = c.below(5) == 4;
    let mut values = Vec::new();
    for i in 0..rows {
        let step = if (rows / 3..2 * rows / 3).contains(&i) { 2.7 } else { 1.0 };
        let wobble = 1.0 + 0.01 * ((i * 7919) % 13) as f64;
        let sign = if signed && i % 5 == 4 { -1.0 } else { 1.0 };
        let scaled = sign * base * step * wobble / unit_a;
        let factor = 10_f64.powi(digits);
        values.push((scaled * factor).round() / factor);
    }
    let exponent = c.below(6) == 5 && !matches!(place, Place::Cells | Place::CellsSpaced);
    let number = |value: f64, digits: i32| {
        let text =
            if exponent { format!("{value:.8E}") } else { format!("{value:.*}", digits as usize) };
        if comma { text.replace('.', ",") } else { text }
    };
    let plain = |value: f64, digits: usize| {
        let text = format!("{value:.digits$}");
        if comma { text.replace('.', ",") } else { text }
    };

    // Odd cells.
    let missing_word = c.one(&["", "-", "---", "N/A", "nan"]);
    let overload_word = c.one(&["OL", "OVLD", "-OL", "over range", "9.9E37"]);
    let missing_every = c.one(&[0, 0, 0, 7]);
    let overload_every = c.one(&[0, 0, 0, 11]);
    let missing_word =
        if missing_word.is_empty() && matches!(place, Place::Bare) { "-" } else { missing_word };
    let overload_word = if comma && overload_word.starts_with('9') { "OL" } else { overload_word };

    // Other columns.
    let extra_before = c.one(&["", "index", "site"]);
    let extra_after = c.one(&["", "volts", "note", "temperature"]);
    let name = c.one(&[
        "Current",
        "current",
        "Strom",
        "Courant",
        "Corriente",
        "I",
        "Battery current",
        "CURRENT",
        "Pump current",
    ]);
    let (name, vague) = if c.below(5) == 4 && !matches!(place, Place::Suffix) {
        (c.one(&["Reading", "Value", "CH3", "Messwert"]), true)
    } else {
        (name, false)
    };
    let time_name = c.one(&["Time", "time", "Zeit", "Timestamp", "t"]);

    let title = match place {
        Place::Brackets => format!("{name} ({symbol})"),
        Place::Square => format!("{name} [{symbol}]"),
        Place::Slash => format!("{name}/{symbol}"),
        Place::Suffix => format!("{}_{symbol}", name.replace(' ', "_")),
        Place::Bare => symbol.to_owned(),
        _ => name.to_owned(),
    };
    let clock_title = match clock {
        Clock::Elapsed { unit, .. } if place == Place::Slash => format!("{time_name}/{unit}"),
        Clock::Elapsed { unit, .. } if place == Place::Square => format!("{time_name} [{unit}]"),
        Clock::Elapsed { unit, .. } if place == Place::UnitsRow => {
            let _ = unit;
            time_name.to_owned()
        }
        Clock::Elapsed { unit, .. } => format!("{time_name} ({unit})"),
        Clock::Epoch { .. } => "Timestamp".to_owned(),
        _ => time_name.to_owned(),
    };

    let mut titles: Vec<String> = Vec::new();
    let mut units: Vec<String> = Vec::new();
    if !extra_before.is_empty() {
        titles.push(if extra_before == "index" { "No." } else { "Site" }.to_owned());
        units.push(String::new());
    }
    match clock {
        Clock::TwoColumns { date_first: true } => {
            titles.extend(["Date".to_owned(), "Time".to_owned()])
        }
        Clock::TwoColumns { date_first: false } => {
            titles.extend(["Time".to_owned(), "Date".to_owned()])
        }
        _ => titles.push(clock_title),
    }
    while units.len() < titles.len() {
        units.push(String::new());
    }
    if let (Clock::Elapsed { unit, .. }, Some(last)) = (clock, units.last_mut()) {
        *last = format!("[{unit}]");
    }
    titles.push(title);
    units.push(format!("[{symbol}]"));
    if place == Place::Beside {
        titles.push("Unit".to_owned());
        units.push(String::new());
    }
    match extra_after {
        "volts" => {
            titles.push("Supply (V)".to_owned());
            units.push("[V]".to_owned());
        }
        "temperature" => {
            titles.push("Temperature (°C)".to_owned());
            units.push("[°C]".to_owned());
        }
        "note" => {
            titles.push("Note".to_owned());
            units.push(String::new());
        }
        _ => {}
    }

    // Before the table.
    let mut text = String::new();
    let preamble = c.below(5);
    match preamble {
        1 => text.push_str("North orchard pump hut\n\n"),
        2 => text.push_str("# night log\n# clamp on the battery lead\n"),
        3 => text.push_str(
            &["Site", "Range", "Serial"].map(|key| format!("{key}{delimiter}500 xy\n")).concat(),
        ),
        4 => text.push_str("[LOG]\nversion=3\nchannels=1\n[DATA]\n"),
        _ => {}
    }
    if place == Place::Preamble {
        let mark = if preamble == 2 { "# " } else { "" };
        let _ = writeln!(text, "{mark}Unit: {symbol}");
    }
    let commented = preamble == 2 && c.below(2) == 1;
    let cell = |text: &str| if quoted { format!("\"{text}\"") } else { text.to_owned() };
    let trailing = if c.below(6) == 5 && delimiter.trim() != "" { delimiter.trim() } else { "" };
    let join = |cells: &[String]| {
        cells.iter().map(|t| cell(t)).collect::<Vec<_>>().join(delimiter) + trailing
    };
    let header = join(&titles);
    if commented {
        text.push_str("# ");
    }
    let _ = writeln!(text, "{header}");
    if place == Place::UnitsRow {
        let _ = writeln!(text, "{}", join(&units));
    }

    // The rows.
    let mut times = Vec::new();
    let mut amperes = Vec::new();
    let (mut missing, mut overload) = (0, 0);
    let mut first_kept = None;
    let stamp_of =
        |i: usize| begin.checked_add(jiff::Span::new().milliseconds(offset_ms(i) as i64)).unwrap();
    for (i, value) in values.iter().enumerate() {
        let ms = offset_ms(i);
        let at = stamp_of(i);
        let mut cells: Vec<String> = Vec::new();
        match extra_before {
            "index" => cells.push((i + 1).to_string()),
            "site" => cells.push("pump hut".to_owned()),
            _ => {}
        }
        cells.extend(clock_cells(clock, ms, at, begin, &plain));
        let reading = if missing_every > 0 && i % missing_every == 4 {
            missing += 1;
            missing_word.to_owned()
        } else if overload_every > 0 && i % overload_every == 6 {
            overload += 1;
            overload_word.to_owned()
        } else {
            times.push(ms as f64 / 1000.0);
            amperes.push(value * unit_a);
            first_kept.get_or_insert(i);
            match place {
                Place::Cells => format!("{}{symbol}", number(*value, digits)),
                Place::CellsSpaced => format!("{} {symbol} DC", number(*value, digits)),
                _ => number(*value, digits),
            }
        };
        cells.push(reading);
        if place == Place::Beside {
            cells.push(symbol.to_owned());
        }
        match extra_after {
            "volts" => cells.push(plain(12.0 + 0.01 * (i % 9) as f64, 2)),
            "temperature" => cells.push(plain(8.0 + 0.1 * (i % 5) as f64, 1)),
            "note" => cells.push(if i % 7 == 2 { "radio sends".to_owned() } else { String::new() }),
            _ => {}
        }
        let _ = writeln!(text, "{}", join(&cells));
    }
    match c.below(6) {
        3 => text.push('\n'),
        4 => text.push_str("\nEnd of log\n"),
        5 => {
            text.pop();
        }
        _ => {}
    }
    let text = match c.below(6) {
        4 => text.replace('\n', "\r\n"),
        5 => text.replace('\n', "\r"),
        _ => text,
    };
    let bytes = encode(&text, c.below(8));

    let first = times.first().copied().unwrap_or(0.0);
    times.iter_mut().for_each(|t| *t -= first);
    let start = match clock {
        Clock::Elapsed { .. } | Clock::TimeOfDay | Clock::Spans => None,
        _ => first_kept.map(stamp_of),
    };
    let mut doubts = vec![
        "clock-midnight",
        "overload",
        "clock-utc",
        "unreadable-rows",
        "nul-bytes",
        "rate-changes",
    ];
    if matches!(clock, Clock::Slashed { .. }) {
        doubts.push("date-order");
    }
    if comma || quoted {
        doubts.push("decimal-mark");
    }
    let _ = vague;
    Made { bytes, text, times, amperes, start, missing, overload, doubts }
}

fn clock_cells(
    clock: Clock,
    ms: u64,
    at: DateTime,
    begin: DateTime,
    plain: &dyn Fn(f64, usize) -> String,
) -> Vec<String> {
    let time = at.strftime("%H:%M:%S").to_string();
    let seconds = ms as f64 / 1000.0;
    let fraction = format!("{:03}", ms % 1000);
    vec![match clock {
        Clock::Elapsed { unit: "ms", .. } => ms.to_string(),
        Clock::Elapsed { unit: "min", .. } => plain(seconds / 60.0, 5),
        Clock::Elapsed { .. } => plain(seconds, 3),
        Clock::Iso { between } => format!("{}{between}{time}.{fraction}", at.strftime("%Y-%m-%d")),
        Clock::Offset => format!("{}T{time}.{fraction}+02:00", at.strftime("%Y-%m-%d")),
        Clock::German => at.strftime("%d.%m.%Y %H:%M:%S").to_string(),
        Clock::Slashed { month_first, half_day } => {
            let date = if month_first { "%m/%d/%Y" } else { "%d/%m/%Y" };
            let time = if half_day { "%I:%M:%S %p" } else { "%H:%M:%S" };
            at.strftime(&format!("{date} {time}")).to_string()
        }
        Clock::TimeOfDay => time,
        Clock::TwoColumns { date_first } => {
            let date = at.strftime("%Y-%m-%d").to_string();
            return if date_first { vec![date, time] } else { vec![time, date] };
        }
        Clock::Epoch { scale } => {
            let epoch = jiff::tz::Offset::UTC.to_timestamp(at).unwrap();
            if scale == 1.0 {
                format!("{}", epoch.as_second())
            } else {
                format!("{}", epoch.as_millisecond())
            }
        }
        Clock::MonthName => at.strftime("%d-%b-%Y %H:%M:%S").to_string(),
        Clock::Serial => {
            let origin = DateTime::new(1899, 12, 30, 0, 0, 0, 0).unwrap();
            let span = at.since((jiff::Unit::Second, origin)).unwrap();
            plain(span.get_seconds() as f64 / 86_400.0, 9)
        }
        Clock::Spans => {
            let _ = begin;
            let s = ms / 1000;
            format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
        }
        Clock::Compact => at.strftime("%Y%m%dT%H%M%S").to_string(),
    }]
}

fn encode(text: &str, how: usize) -> Vec<u8> {
    match how {
        3 => format!("\u{feff}{text}").into_bytes(),
        4 => format!("\u{feff}{text}").encode_utf16().flat_map(u16::to_le_bytes).collect(),
        5 => format!("\u{feff}{text}").encode_utf16().flat_map(u16::to_be_bytes).collect(),
        6 => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
        7 if text.chars().all(|c| u32::from(c) < 256) => text.chars().map(|c| c as u8).collect(),
        _ => text.as_bytes().to_vec(),
    }
}
