//! The capture as a meter's software exports it.

use std::fmt::Write as _;

use jiff::SignedDuration;
use jiff::civil::DateTime;

use super::meter::{MeterLog, Reading};
use super::scenario::{ClockForm, Encoding, Export};

/// The file's bytes. O(n).
pub(super) fn write(export: &Export, start: DateTime, log: &MeterLog) -> Vec<u8> {
    let (delimiter, end) = (export.delimiter, export.line_ending);
    let mut text = String::with_capacity(40 * log.readings.len());
    for line in &export.preamble {
        let _ = write!(text, "{line}{end}");
    }
    let mut headers: Vec<String> = Vec::new();
    headers.extend(export.row_number_header.clone());
    match export.clock {
        ClockForm::Absent => {}
        ClockForm::TwoColumns => headers.extend(["date".to_owned(), export.time_header.clone()]),
        _ => headers.push(export.time_header.clone()),
    }
    headers.push(export.current_header.clone());
    let quoted: Vec<String> = headers.iter().map(|header| quote(header, delimiter)).collect();
    let _ = write!(text, "{}{end}", quoted.join(&delimiter.to_string()));

    let sign = if export.reversed { -1.0 } else { 1.0 };
    let first_s = log.times_s.first().copied().unwrap_or(0.0);
    for (i, (reading, time_s)) in log.readings.iter().zip(&log.times_s).enumerate() {
        if export.row_number_header.is_some() {
            let _ = write!(text, "{}{delimiter}", i + 1);
        }
        if export.clock != ClockForm::Absent {
            time(&mut text, export, start, *time_s, first_s);
            text.push(delimiter);
        }
        match reading {
            Reading::Amperes(a) => {
                let value = sign * a / export.unit.amperes();
                number(&mut text, value, export.current_decimals, export.decimal_mark);
            }
            Reading::Overload => text.push_str(&export.overload_text),
        }
        text.push_str(end);
    }
    encode(export.encoding, &text)
}

fn number(text: &mut String, value: f64, decimals: usize, mark: char) {
    let at = text.len();
    let _ = write!(text, "{value:.decimals$}");
    // -0.000 is a rounded zero.
    if text[at..].starts_with('-') && text[at..].bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        text.remove(at);
    }
    if mark != '.' && decimals > 0 {
        let point = text.len() - decimals - 1;
        text.replace_range(point..=point, &mark.to_string());
    }
}

fn time(text: &mut String, export: &Export, start: DateTime, time_s: f64, first_s: f64) {
    let decimals = export.time_decimals;
    if export.clock == ClockForm::Seconds {
        return number(text, time_s - first_s, decimals, export.decimal_mark);
    }
    let unit = 10f64.powi(decimals as i32);
    let nanos = (time_s * unit).round() as i64 * 10i64.pow(9 - decimals as u32);
    let at = start.saturating_add(SignedDuration::from_nanos(nanos));
    let fraction = |mut shown: String| {
        if decimals > 0 {
            let digits = format!("{:09}", at.subsec_nanosecond());
            shown.push(export.decimal_mark);
            shown.push_str(&digits[..decimals]);
        }
        shown
    };
    let shown = match export.clock {
        ClockForm::DateTime => fraction(at.strftime("%Y-%m-%d %H:%M:%S").to_string()),
        ClockForm::DayFirst => fraction(at.strftime("%d.%m.%Y %H:%M:%S").to_string()),
        ClockForm::MonthFirst => {
            let half = if at.hour() < 12 { "AM" } else { "PM" };
            let hour = (at.hour() + 11) % 12 + 1;
            let date = at.strftime("%m/%d/%Y").to_string();
            format!("{} {half}", fraction(format!("{date} {hour}{}", at.strftime(":%M:%S"))))
        }
        ClockForm::TwoColumns => {
            let date = at.strftime("%Y-%m-%d").to_string();
            fraction(format!("{date}{}{}", export.delimiter, at.strftime("%H:%M:%S")))
        }
        ClockForm::EpochSeconds => {
            let epoch = DateTime::constant(1970, 1, 1, 0, 0, 0, 0);
            let since = at.duration_since(epoch);
            fraction(since.as_secs().to_string())
        }
        _ => fraction(at.strftime("%H:%M:%S").to_string()),
    };
    text.push_str(&shown);
}

fn quote(header: &str, delimiter: char) -> String {
    if header.contains([delimiter, '"']) {
        format!("\"{}\"", header.replace('"', "\"\""))
    } else {
        header.to_owned()
    }
}

fn encode(encoding: Encoding, text: &str) -> Vec<u8> {
    match encoding {
        Encoding::Utf8 => text.as_bytes().to_vec(),
        Encoding::Utf8WithMark => [b"\xEF\xBB\xBF", text.as_bytes()].concat(),
        Encoding::Utf16 => {
            [0xFEFF].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect()
        }
        Encoding::Windows1252 => encoding_rs::WINDOWS_1252.encode(text).0.into_owned(),
    }
}
