//! Which unit a capture belongs to.

use std::path::{Path, PathBuf};

/// One capture of a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitSource {
    /// The unit's identity; several captures of one unit are its repeats.
    pub unit: String,
    /// Its file.
    pub file: PathBuf,
}

/// Where the identity stands in a file name: literal text round one `{unit}`, `*` for anything.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitPattern {
    before: String,
    after: String,
}

impl UnitPattern {
    /// Of `rx-{unit}_*.csv`; `None` without exactly one `{unit}`.
    pub fn new(pattern: &str) -> Option<Self> {
        let (before, after) = pattern.split_once("{unit}")?;
        let clean = !after.contains("{unit}");
        clean.then(|| Self { before: before.to_owned(), after: after.to_owned() })
    }

    /// The identity in the file name of `path`; `None` when the name does not fit. Takes the
    /// shortest identity that fits.
    pub fn unit_of(&self, path: &Path) -> Option<String> {
        let name = path.file_name()?.to_str()?;
        (0..=name.len()).filter(|at| name.is_char_boundary(*at)).find_map(|start| {
            if !fits(&self.before, &name[..start]) {
                return None;
            }
            let rest = &name[start..];
            (1..=rest.len())
                .filter(|at| rest.is_char_boundary(*at))
                .find(|end| fits(&self.after, &rest[*end..]))
                .map(|end| rest[..end].to_owned())
        })
    }
}

/// Whether `text` fits `pattern`, `*` standing for any run of characters. O(|pattern| · |text|).
fn fits(pattern: &str, text: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = text.strip_prefix(first) else { return false };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else { return rest.is_empty() };
    for part in parts {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

/// What a file name of a capture ends with. The reader goes by a file's content, so these cut names
/// only.
const ENDINGS: [&str; 17] = [
    "csv", "tsv", "tab", "txt", "log", "dat", "asc", "prn", "json", "jsonl", "ndjson", "xlsx",
    "xls", "ods", "gz", "zst", "zip",
];

impl UnitSource {
    /// A capture whose file name without its endings is its identity: a point stands in dates and
    /// versions too.
    pub fn named_by_file(file: &Path) -> Self {
        let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let mut stem = name.as_str();
        while let Some((shorter, ending)) = stem.rsplit_once('.') {
            let known = ENDINGS.iter().any(|known| known.eq_ignore_ascii_case(ending));
            if !known || shorter.is_empty() {
                break;
            }
            stem = shorter;
        }
        Self { unit: stem.to_owned(), file: file.to_owned() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identities_are_cut_out_of_file_names() {
        let unit = |pattern: &str, name: &str| {
            UnitPattern::new(pattern)
                .unwrap()
                .unit_of(Path::new("some/folder").join(name).as_path())
        };
        assert_eq!(unit("rx-{unit}.csv", "rx-017.csv").as_deref(), Some("017"));
        assert_eq!(unit("rx-{unit}_*.csv", "rx-017_run2.csv").as_deref(), Some("017"));
        assert_eq!(unit("*-{unit}.*", "bench-a7.csv.gz").as_deref(), Some("a7"));
        assert_eq!(unit("rx-{unit}.csv", "tx-017.csv"), None);
        assert_eq!(unit("rx-{unit}.csv", "rx-.csv"), None);
        assert_eq!(UnitPattern::new("rx.csv"), None);
        assert_eq!(UnitPattern::new("{unit}{unit}"), None);
    }

    #[test]
    fn a_file_name_loses_its_endings_and_no_more() {
        for (name, unit) in [
            ("b/rx-3.csv.gz", "rx-3"),
            ("2026.11.29 rx-07.csv", "2026.11.29 rx-07"),
            ("fw1.0-rx07.TXT", "fw1.0-rx07"),
            ("fw1.1-rx07.xlsx", "fw1.1-rx07"),
            ("rx-7.log.csv.zip", "rx-7"),
            ("rx-7.run2.json", "rx-7.run2"),
            ("rx-7", "rx-7"),
            (".csv", ".csv"),
        ] {
            assert_eq!(UnitSource::named_by_file(Path::new(name)).unit, unit, "{name}");
        }
    }
}
