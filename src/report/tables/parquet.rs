//! A table as Parquet.

use polars::prelude::{Column, DataFrame, NamedFrom, ParquetCompression, ParquetWriter, Series};

use super::super::ReportError;
use super::{Table, Values};

/// The table's bytes, compressed with zstd. Counts are signed 64-bit, as most engines expect.
pub(super) fn encode(table: &Table) -> Result<Vec<u8>, ReportError> {
    let fault = |error: polars::error::PolarsError| ReportError::Table {
        table: table.name,
        reason: error.to_string(),
    };
    let columns: Vec<Column> =
        table.columns.iter().map(|(name, values)| series(name, values).into()).collect();
    let mut frame = DataFrame::new(table.rows, columns).map_err(fault)?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .finish(&mut frame)
        .map_err(fault)?;
    Ok(bytes)
}

fn series(name: &str, values: &Values) -> Series {
    match values {
        Values::Number(numbers) => Series::new(name.into(), numbers.as_slice()),
        Values::Count(counts) => {
            let signed: Vec<Option<i64>> =
                counts.iter().map(|n| n.and_then(|n| i64::try_from(n).ok())).collect();
            Series::new(name.into(), signed)
        }
        Values::Text(texts) => {
            let texts: Vec<Option<&str>> = texts.iter().map(Option::as_deref).collect();
            Series::new(name.into(), texts)
        }
        Values::Flag(flags) => Series::new(name.into(), flags.as_slice()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::{ParquetReader, SerReader};

    #[test]
    fn a_table_reads_back_with_its_nulls_and_gives_the_same_bytes_twice() {
        let table = Table {
            name: "t",
            rows: 2,
            columns: vec![
                ("draw_a", Values::Number(vec![Some(0.214), None])),
                ("row", Values::Count(vec![None, Some(7)])),
                ("load", Values::Text(vec![Some("radio".into()), None])),
                ("ok", Values::Flag(vec![Some(true), None])),
            ],
        };
        let bytes = encode(&table).unwrap();
        assert_eq!(bytes, encode(&table).unwrap());
        let frame = ParquetReader::new(std::io::Cursor::new(bytes)).finish().unwrap();
        assert_eq!(frame.shape(), (2, 4));
        let draw = frame.column("draw_a").unwrap().f64().unwrap();
        assert_eq!((draw.get(0), draw.get(1)), (Some(0.214), None));
        assert_eq!(frame.column("row").unwrap().i64().unwrap().get(1), Some(7));
        assert_eq!(frame.column("load").unwrap().str().unwrap().get(0), Some("radio"));
        assert_eq!(frame.column("ok").unwrap().bool().unwrap().get(1), None);
    }

    #[test]
    fn a_table_without_rows_keeps_its_columns() {
        let table =
            Table { name: "t", rows: 0, columns: vec![("start_s", Values::Number(vec![]))] };
        let bytes = encode(&table).unwrap();
        let frame = ParquetReader::new(std::io::Cursor::new(bytes)).finish().unwrap();
        assert_eq!(frame.shape(), (0, 1));
    }
}
