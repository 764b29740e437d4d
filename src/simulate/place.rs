//! Where in a TOML text a key stands.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

/// One step down into a document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Key {
    /// A key of a table.
    Name(&'static str),
    /// A place in a list.
    At(usize),
}

impl From<&'static str> for Key {
    fn from(name: &'static str) -> Self {
        Self::Name(name)
    }
}

impl From<usize> for Key {
    fn from(place: usize) -> Self {
        Self::At(place)
    }
}

/// Byte range of the value at `path`, or of the nearest table above it that is there.
pub(super) fn of(text: &str, path: &[Key]) -> Range<usize> {
    let Ok(document) = DeTable::parse(text) else { return 0..0 };
    let mut span = 0..0;
    let mut table: Option<&DeTable<'_>> = Some(document.get_ref());
    let mut list = None;
    for key in path {
        let found = match key {
            Key::Name(name) => table.and_then(|table| table.get(*name)),
            Key::At(place) => list.and_then(|list: &toml::de::DeArray<'_>| list.get(*place)),
        };
        let Some(found) = found else { break };
        span = found.span();
        (table, list) = match found.get_ref() {
            DeValue::Table(inner) => (Some(inner), None),
            DeValue::Array(inner) => (None, Some(inner)),
            _ => (None, None),
        };
    }
    span
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_deep_in_a_list_of_tables_is_found() {
        let text =
            "[[load]]\nname = 'a'\n[[load]]\nname = 'b'\n  [[load.state]]\n  draw_a = 0.25\n";
        let path = ["load".into(), 1.into(), "state".into(), 0.into(), "draw_a".into()];
        assert_eq!(&text[of(text, &path)], "0.25");
    }

    #[test]
    fn a_key_that_is_not_there_points_at_its_table() {
        let text = "[meter]\nnoise_a = 1\n";
        let span = of(text, &["meter".into(), "spike_a".into()]);
        assert!(text[span].starts_with("[meter]"));
    }
}
