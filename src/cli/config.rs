//! From arguments as typed to values that the stages may rely on.

use crate::capture::{ColumnChoice, CurrentUnit, DecimalMark, ReadOptions};
use crate::fault::InputFault;
use crate::judge::Risk;
use crate::segment::Wishes;

use super::args::{JudgingArgs, ReadingArgs};

const COMMAND_LINE: &str = "command line";

fn wrong(found: String, advice: &str) -> InputFault {
    InputFault::of_file(COMMAND_LINE, found, advice)
}

impl TryFrom<ReadingArgs> for ReadOptions {
    type Error = InputFault;

    fn try_from(args: ReadingArgs) -> Result<Self, InputFault> {
        let interval_s = match args.interval {
            Some(s) if !(s.is_finite() && s > 0.0) => {
                return Err(wrong(
                    format!("--interval is {s}"),
                    "give the seconds between two samples, more than 0",
                ));
            }
            other => other,
        };
        Ok(Self {
            time_column: args.time_column.as_deref().map(column),
            current_column: args.current_column.as_deref().map(column),
            unit: args.unit.as_deref().map(unit).transpose()?,
            decimal_mark: args.decimal_mark.as_deref().map(decimal_mark).transpose()?,
            interval_s,
            clock_format: args.clock_format,
            skip_rows: args.skip_rows,
            reverse: args.reverse,
            encoding: args.encoding,
            sheet: args.sheet,
        })
    }
}

fn column(typed: &str) -> ColumnChoice {
    match typed.trim().parse::<usize>() {
        Ok(place) if place > 0 => ColumnChoice::Place(place),
        _ => ColumnChoice::Header(typed.to_owned()),
    }
}

fn decimal_mark(typed: &str) -> Result<DecimalMark, InputFault> {
    match typed.trim().to_ascii_lowercase().as_str() {
        "point" | "." => Ok(DecimalMark::Point),
        "comma" | "," => Ok(DecimalMark::Comma),
        _ => Err(wrong(format!("--decimal-mark \"{typed}\" is no mark"), "use point or comma")),
    }
}

fn unit(typed: &str) -> Result<CurrentUnit, InputFault> {
    unit_of(typed.trim()).ok_or_else(|| {
        wrong(format!("--unit \"{typed}\" is no unit of current"), "use A, mA, uA, nA or kA")
    })
}

fn unit_of(symbol: &str) -> Option<CurrentUnit> {
    // Letter case matters to prefixes, but a lone "a" or "ma" can mean only one thing.
    Some(match symbol {
        "A" | "a" => CurrentUnit::Ampere,
        "mA" | "ma" | "MA" => CurrentUnit::Milliampere,
        "uA" | "ua" | "UA" | "µA" | "μA" => CurrentUnit::Microampere,
        "nA" | "na" | "NA" => CurrentUnit::Nanoampere,
        "kA" | "ka" | "KA" => CurrentUnit::Kiloampere,
        _ => return None,
    })
}

/// A current as typed, ampere unless it carries a unit: `0.03`, `30mA`, `30 mA`, `8,5uA`.
pub(crate) fn current(option: &str, typed: &str) -> Result<f64, InputFault> {
    let text = typed.trim();
    let split =
        text.find(|c: char| c.is_alphabetic() && c != 'e' && c != 'E').unwrap_or(text.len());
    let (number, symbol) = text.split_at(split);
    let value = number.trim().replace(',', ".").parse::<f64>().ok().filter(|v| v.is_finite());
    let unit = if symbol.is_empty() { Some(CurrentUnit::Ampere) } else { unit_of(symbol) };
    match (value, unit) {
        (Some(value), Some(unit)) => Ok(value * unit.amperes()),
        _ => Err(wrong(
            format!("{option} \"{typed}\" is no current"),
            "give amperes, or a number with a unit such as 30mA or 8.5uA",
        )),
    }
}

/// Wishes for the segmentation.
pub(crate) fn wishes(smallest_step: Option<&str>) -> Result<Wishes, InputFault> {
    let smallest_step_a =
        smallest_step.map(|typed| current("--smallest-step", typed)).transpose()?;
    if let Some(step) = smallest_step_a.filter(|step| *step <= 0.0) {
        return Err(wrong(
            format!("--smallest-step is {step} A"),
            "give the smallest change that matters, more than 0",
        ));
    }
    Ok(Wishes { smallest_step_a, ..Wishes::default() })
}

/// The accepted risk.
pub(crate) fn risk(args: &JudgingArgs) -> Result<Risk, InputFault> {
    Risk::new(args.risk).ok_or_else(|| {
        wrong(format!("--risk is {}", args.risk), "give a probability between 0 and 0.5")
    })
}

/// A supply voltage.
pub(crate) fn voltage(option: &str, volts: f64) -> Result<f64, InputFault> {
    if volts.is_finite() && volts > 0.0 {
        Ok(volts)
    } else {
        Err(wrong(format!("{option} is {volts} V"), "give a voltage above 0"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_current_may_carry_its_unit() {
        for (typed, amperes) in [
            ("0.03", 0.03),
            ("30mA", 0.03),
            ("30 mA", 0.03),
            ("8,5uA", 8.5e-6),
            ("1e-3", 1e-3),
            ("2e3 nA", 2e-6),
            ("-0.5 A", -0.5),
        ] {
            let read = current("CURRENT", typed).unwrap();
            approx::assert_relative_eq!(read, amperes, max_relative = 1e-15);
        }
        for typed in ["", "mA", "3 V", "nan", "1..2"] {
            assert!(current("CURRENT", typed).is_err(), "{typed}");
        }
    }

    #[test]
    fn a_column_is_a_place_or_a_header() {
        assert_eq!(column("2"), ColumnChoice::Place(2));
        assert_eq!(column("0"), ColumnChoice::Header("0".into()));
        assert_eq!(column("I (mA)"), ColumnChoice::Header("I (mA)".into()));
    }
}
