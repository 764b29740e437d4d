//! One JSON document whose readings stand in an array: made into a table with a header.

use serde_json::{Map, Value};

/// A longer document is not taken apart.
const LONGEST: usize = 64 << 20;
/// Rows of a table at least.
const ROWS: usize = 3;

/// The text as a tab-separated table below lines of what else the document says; `None` when it is no such document.
///
/// Readings are the array of objects, the array of arrays, or the object of arrays that holds the most values. O(n),
/// in memory some ten times the text.
pub(super) fn table(text: &[u8]) -> Option<Vec<u8>> {
    let start = text.trim_ascii_start();
    if text.len() > LONGEST || !matches!(start.first(), Some(b'{' | b'[')) {
        return None;
    }
    let document: Value = serde_json::from_slice(start).ok()?;
    let mut found = Found::default();
    visit(&document, false, &[], &mut found);
    let mut out = String::new();
    for (key, value) in &found.notes {
        out.push_str(&format!("{}: {}\n", text_of(key), cell(value)));
    }
    out.push_str(&found.header.iter().map(|key| text_of(key)).collect::<Vec<_>>().join("\t"));
    out.push('\n');
    for row in &found.rows {
        let cells: Vec<String> =
            row.iter().map(|value| value.map(cell).unwrap_or_default()).collect();
        out.push_str(&cells.join("\t"));
        out.push('\n');
    }
    (!found.rows.is_empty()).then(|| out.into_bytes())
}

#[derive(Default)]
struct Found<'a> {
    notes: Vec<(String, &'a Value)>,
    header: Vec<String>,
    rows: Vec<Vec<Option<&'a Value>>>,
}

impl<'a> Found<'a> {
    fn offer(&mut self, header: Vec<String>, rows: Vec<Vec<Option<&'a Value>>>) {
        let cells = |rows: &[Vec<_>]| rows.len() * rows.first().map_or(0, Vec::len);
        if rows.len() >= ROWS && cells(&rows) > cells(&self.rows) {
            (self.header, self.rows) = (header, rows);
        }
    }
}

/// Looks for readings in `value`; `names` are those of columns that stand beside it.
fn visit<'a>(value: &'a Value, inside: bool, names: &[Vec<String>], found: &mut Found<'a>) {
    match value {
        Value::Array(items) => {
            if let Some(Value::Object(first)) = items.first() {
                let header: Vec<String> = flat(first).into_iter().map(|(key, _)| key).collect();
                let rows = items
                    .iter()
                    .filter_map(Value::as_object)
                    .map(|item| {
                        let cells = flat(item);
                        header
                            .iter()
                            .enumerate()
                            // The same place in nearly every row.
                            .map(|(at, key)| match cells.get(at) {
                                Some((name, value)) if name == key => Some(*value),
                                _ => cells.iter().find(|(name, _)| name == key).map(|c| c.1),
                            })
                            .collect()
                    })
                    .collect();
                found.offer(header, rows);
            } else if let Some(Value::Array(first)) = items.first()
                && first.iter().all(scalar)
            {
                let width = first.len();
                let rows = items
                    .iter()
                    .filter_map(Value::as_array)
                    .map(|row| (0..width).map(|at| row.get(at)).collect())
                    .collect();
                let header = names.iter().find(|names| names.len() == width);
                found.offer(header.cloned().unwrap_or_default(), rows);
            }
            items
                .iter()
                .filter(|item| !scalar(item))
                .take(64)
                .for_each(|item| visit(item, true, &[], found));
        }
        Value::Object(object) => {
            let arrays: Vec<(&String, &Vec<Value>)> = object
                .iter()
                .filter_map(|(key, value)| Some((key, value.as_array()?)))
                .filter(|(_, items)| items.first().is_some_and(scalar))
                .collect();
            let longest = arrays.iter().map(|(_, items)| items.len()).max().unwrap_or(0);
            let columns: Vec<_> =
                arrays.into_iter().filter(|(_, items)| items.len() == longest).collect();
            let rows = (0..longest)
                .map(|row| columns.iter().map(|(_, items)| items.get(row)).collect())
                .collect();
            found.offer(columns.iter().map(|(key, _)| (*key).clone()).collect(), rows);
            let names: Vec<Vec<String>> = object.values().filter_map(column_names).collect();
            for (key, value) in object {
                if scalar(value) {
                    if !inside && found.notes.len() < 100 {
                        found.notes.push((key.clone(), value));
                    }
                } else {
                    visit(value, inside, &names, found);
                }
            }
        }
        _ => {}
    }
}

/// An array of texts, or of objects that each have a name, and a unit if they like.
fn column_names(value: &Value) -> Option<Vec<String>> {
    let items = value.as_array().filter(|items| !items.is_empty() && items.len() <= 64)?;
    let of = |object: &Map<String, Value>, keys: &[&str]| {
        keys.iter().find_map(|key| Some(object.get(*key)?.as_str()?.to_owned()))
    };
    let name = |item: &Value| match item {
        Value::String(text) => Some(text.clone()),
        Value::Object(object) => {
            let name = of(object, &["name", "label", "title", "field", "key", "id"])?;
            let unit = of(object, &["unit", "units"]).filter(|unit| !unit.is_empty());
            Some(unit.map_or(name.clone(), |unit| format!("{name} ({unit})")))
        }
        _ => None,
    };
    items.iter().map(name).collect()
}

/// Levels of objects inside objects that are gone through.
const DEPTH: usize = 6;

/// Names and values of an object, those of objects inside it too.
pub(super) fn flat(object: &Map<String, Value>) -> Vec<(String, &Value)> {
    let mut all = Vec::new();
    flatten("", object, DEPTH, &mut all);
    all
}

fn flatten<'a>(
    path: &str,
    object: &'a Map<String, Value>,
    depth: usize,
    all: &mut Vec<(String, &'a Value)>,
) {
    for (key, value) in object {
        let name = if path.is_empty() { key.clone() } else { format!("{path} {key}") };
        match value {
            Value::Object(inner) if depth > 0 => flatten(&name, inner, depth - 1, all),
            _ if scalar(value) => all.push((name, value)),
            _ => {}
        }
    }
}

fn scalar(value: &Value) -> bool {
    !matches!(value, Value::Array(_) | Value::Object(_))
}

pub(super) fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text_of(text),
        other => other.to_string(),
    }
}

fn text_of(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn objects_inside_objects_are_gone_through() {
        let object = serde_json::from_str(r#"{"t": 0, "hut": {"i": {"value": 0.1, "unit": "A"}}}"#);
        let object: Map<String, Value> = object.unwrap();
        let names: Vec<String> = flat(&object).into_iter().map(|(name, _)| name).collect();
        assert_eq!(names.join(", "), "hut i unit, hut i value, t");
    }

    #[test]
    fn arrays_become_columns() {
        let turned = |text: &str| table(text.as_bytes()).map(|t| String::from_utf8(t).unwrap());
        assert_eq!(
            turned(r#"{"every": "2 s", "i_mA": [1.5, null, 3], "note": ["x"]}"#).unwrap(),
            "every: 2 s\ni_mA\n1.5\n\n3\n"
        );
        assert_eq!(
            turned("{\"log\": [{\"t\": 0, \"i\": {\"mA\": 1}},\n {\"t\": 1, \"i\": {\"mA\": 2}}, {\"t\": 2}]}")
                .unwrap(),
            "i mA\tt\n1\t0\n2\t1\n\t2\n"
        );
        assert_eq!(turned("[[0, 1.5], [1, 1.6], [2, 1.7]]").unwrap(), "\n0\t1.5\n1\t1.6\n2\t1.7\n");
        assert_eq!(
            turned(r#"{"columns": [{"name": "t", "unit": "s"}, {"name": "I"}], "data": [[0, 1.5], [1, 1.6], [2, 1.7]]}"#)
                .unwrap(),
            "t (s)\tI\n0\t1.5\n1\t1.6\n2\t1.7\n"
        );
        assert_eq!(turned("{\"t\": 1}\n{\"t\": 2}\n"), None);
        assert_eq!(turned("{\"t\": 1}"), None);
    }
}
