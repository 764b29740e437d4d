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

impl UnitSource {
    /// A capture whose file name without its endings is its identity.
    pub fn named_by_file(file: &Path) -> Self {
        let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let stem = name.split('.').next().filter(|stem| !stem.is_empty()).unwrap_or(&name);
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
        assert_eq!(UnitSource::named_by_file(Path::new("b/rx-3.csv.gz")).unit, "rx-3");
    }
}
