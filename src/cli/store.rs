//! What a stopped batch has done so far, so that the next run goes on from there.

use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::batch::{UnitOutcome, UnitSource};
use crate::fault::InputFault;
use crate::report::Sketch;

/// Folder under `--out` that lives as long as a batch is unfinished.
const FOLDER: &str = "unfinished-batch";

/// What is kept of one capture.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Kept {
    pub(crate) outcome: UnitOutcome,
    /// For the page; `None` when the capture could not be read.
    pub(crate) sketch: Option<Sketch>,
    /// When the capture began, as it tells.
    pub(crate) start: Option<String>,
}

/// One file a finished capture, named by what its outcome depends on.
#[derive(Debug)]
pub(crate) struct Store {
    folder: PathBuf,
    procedure: u64,
}

impl Store {
    /// Opens or makes the store under `out`; `procedure` is everything but the captures that the
    /// outcomes depend on.
    pub(crate) fn open(out: &Path, procedure: &[String]) -> Result<Self, InputFault> {
        let folder = out.join(FOLDER);
        fs::create_dir_all(&folder).map_err(|error| {
            InputFault::of_file(
                &folder.display().to_string(),
                format!("cannot be made: {error}"),
                "name another folder with --out",
            )
        })?;
        let mut hasher = DefaultHasher::new();
        (env!("CARGO_PKG_VERSION"), procedure).hash(&mut hasher);
        Ok(Self { folder, procedure: hasher.finish() })
    }

    /// The outcome of a capture that has not changed since it was kept.
    pub(crate) fn recall(&self, source: &UnitSource) -> Option<Kept> {
        let bytes = fs::read(self.path(source)?).ok()?;
        let mut kept = serde_json::from_slice(&bytes).ok()?;
        spell_back(&mut kept);
        let kept: Kept = serde_json::from_value(kept).ok()?;
        (kept.outcome.unit == source.unit).then_some(kept)
    }

    /// Keeps an outcome. A store that cannot be written costs a later run time, never its result.
    pub(crate) fn keep(&self, source: &UnitSource, kept: &Kept) {
        let Some(path) = self.path(source) else { return };
        let Ok(bytes) = serde_json::to_value(kept).and_then(|mut kept| {
            spell(&mut kept);
            serde_json::to_vec(&kept)
        }) else {
            return;
        };
        let part = path.with_extension("part");
        if fs::write(&part, bytes).is_ok() {
            let _ = fs::rename(part, path);
        }
    }

    /// Removes the store: the batch is finished.
    pub(crate) fn close(self) {
        let _ = fs::remove_dir_all(&self.folder);
    }

    fn path(&self, source: &UnitSource) -> Option<PathBuf> {
        let facts = fs::metadata(&source.file).ok()?;
        let changed = facts.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        let mut hasher = DefaultHasher::new();
        (self.procedure, &source.file, &source.unit, facts.len(), changed).hash(&mut hasher);
        Some(self.folder.join(format!("{:016x}.json", hasher.finish())))
    }
}

/// Mark of a number written by its bits; a text that starts with it gets it twice.
const BITS: &str = "\u{1}";
/// Follows it where the numbers of a whole array are written in one go.
const ARRAY: &str = "[";
/// Digits of a number's bits.
const DIGITS: usize = 16;

/// Writes every number by its bits: the JSON reader may round the last digit otherwise, and a resumed run
/// must give what an uninterrupted one gives.
fn spell(value: &mut Value) {
    let bits_of = |value: &Value| match value {
        Value::Number(number) if number.is_f64() => number.as_f64().map(f64::to_bits),
        _ => None,
    };
    if let Some(bits) = bits_of(value) {
        *value = Value::String(spelt(BITS.to_owned(), &[bits]));
        return;
    }
    match value {
        Value::Array(values) => match values.iter().map(bits_of).collect::<Option<Vec<u64>>>() {
            Some(all) if !all.is_empty() => {
                *value = Value::String(spelt(format!("{BITS}{ARRAY}"), &all));
            }
            _ => values.iter_mut().for_each(spell),
        },
        Value::Object(fields) => fields.values_mut().for_each(spell),
        Value::String(text) if text.starts_with(BITS) => text.insert_str(0, BITS),
        _ => {}
    }
}

fn spelt(mut text: String, numbers: &[u64]) -> String {
    text.reserve(DIGITS * numbers.len());
    for bits in numbers {
        let digit = |at: usize| char::from_digit((bits >> (4 * at)) as u32 & 15, 16);
        text.extend((0..DIGITS).rev().filter_map(digit));
    }
    text
}

/// Undoes [`spell`].
fn spell_back(value: &mut Value) {
    let number = |digits: &[u8]| -> Value {
        let digits = std::str::from_utf8(digits).unwrap_or_default();
        u64::from_str_radix(digits, 16).map_or(Value::Null, |bits| f64::from_bits(bits).into())
    };
    match value {
        Value::Array(values) => values.iter_mut().for_each(spell_back),
        Value::Object(fields) => fields.values_mut().for_each(spell_back),
        Value::String(text) => {
            let Some(rest) = text.strip_prefix(BITS) else { return };
            *value = match rest.strip_prefix(ARRAY) {
                Some(all) => all.as_bytes().chunks(DIGITS).map(number).collect(),
                None if rest.starts_with(BITS) => Value::String(rest.to_owned()),
                None => number(rest.as_bytes()),
            };
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back_to_the_last_bit_and_texts_as_they_were() {
        let values: [f64; 6] =
            [0.1 + 0.2, 1.0 / 3.0, -0.0, 5e-324, 34.799_999_999_999_99e-3, 1e300];
        let document = serde_json::json!({
            "values": values, "count": 7, "text": ["\u{1}3fe0", "\u{1}\u{1}", "\u{1}[", "plain", ""], "none": null,
            "mixed": [0.1, null, 3, [0.2]], "alone": 0.3, "empty": [],
        });
        let mut spelt = document.clone();
        spell(&mut spelt);
        let mut back = serde_json::from_slice(&serde_json::to_vec(&spelt).unwrap()).unwrap();
        spell_back(&mut back);
        assert_eq!(back, document);
        let bits = |value: &Value| value.as_f64().unwrap().to_bits();
        for (at, value) in values.iter().enumerate() {
            assert_eq!(bits(&back["values"][at]), value.to_bits());
        }
    }
}
