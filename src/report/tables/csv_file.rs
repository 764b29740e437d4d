//! A table as CSV: UTF-8, comma, point, header, `\n`.

use super::super::ReportError;
use super::{Table, Values};

/// The table's bytes. Text that a spreadsheet would run as a formula gets a leading apostrophe.
pub(super) fn encode(table: &Table) -> Result<Vec<u8>, ReportError> {
    let fault = |reason: String| ReportError::Table { table: table.name, reason };
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record(table.columns.iter().map(|(name, _)| *name))
        .map_err(|error| fault(error.to_string()))?;
    for row in 0..table.rows {
        writer
            .write_record(table.columns.iter().map(|(_, values)| cell(values, row)))
            .map_err(|error| fault(error.to_string()))?;
    }
    writer.into_inner().map_err(|error| fault(error.to_string()))
}

fn cell(values: &Values, row: usize) -> String {
    let text = match values {
        // `{:?}` is the shortest text that reads back to the same number.
        Values::Number(numbers) => numbers[row].filter(|x| x.is_finite()).map(|x| format!("{x:?}")),
        Values::Count(counts) => counts[row].map(|n| n.to_string()),
        Values::Text(texts) => texts[row].as_deref().map(harmless),
        Values::Flag(flags) => flags[row].map(|flag| flag.to_string()),
    };
    text.unwrap_or_default()
}

/// Text as a spreadsheet will only show it (OWASP, "CSV injection").
fn harmless(text: &str) -> String {
    // A sign before a number is a number; before anything else it starts a formula.
    let number = text.trim().parse::<f64>().is_ok_and(f64::is_finite);
    let starts = |c: char| {
        matches!(c, '=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠')
    };
    if !number && text.trim_start_matches(' ').starts_with(starts) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_read_back_and_formulas_stay_text() {
        let table = Table {
            name: "t",
            rows: 3,
            columns: vec![
                ("x_a", Values::Number(vec![Some(0.1 + 0.2), None, Some(-4.2e-9)])),
                (
                    "load",
                    Values::Text(vec![
                        Some("=HYPERLINK(\"x\")".into()),
                        Some("pump, \"old\"".into()),
                        Some("-12".into()),
                    ]),
                ),
                ("n", Values::Count(vec![Some(3), None, Some(0)])),
                ("ok", Values::Flag(vec![Some(true), None, Some(false)])),
            ],
        };
        let bytes = encode(&table).unwrap();
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows[0][0].parse::<f64>().unwrap(), 0.1 + 0.2);
        assert_eq!(rows[2][0].parse::<f64>().unwrap(), -4.2e-9);
        assert_eq!(&rows[1][0], "");
        assert_eq!(&rows[0][1], "'=HYPERLINK(\"x\")");
        assert_eq!(&rows[1][1], "pump, \"old\"");
        assert_eq!(&rows[2][1], "-12");
        assert_eq!((&rows[1][2], &rows[2][2], &rows[1][3]), ("", "0", ""));
        for text in ["@SUM(A1)", "+1+2", "\t=1", "-x", "  =1", "＝1"] {
            assert_eq!(harmless(text), format!("'{text}"));
        }
    }
}
