//! The line protocol of time-series stores, `measurement,tag=x field=1.2 timestamp`: the lines of one series made into
//! a table with a header.

use std::collections::BTreeMap;

use super::claim::names_current;
use super::columns::shown;
use super::dialect::{Lines, line_end};
use super::options::ColumnChoice;
use super::read::Told;
use crate::findings::{Caution, Decision};

/// Lines looked at before deciding.
const LOOKED: usize = 50;

/// Series that are told apart; more are not of a log of a few currents.
const SERIES: usize = 1000;

/// A point as its line writes it.
struct Point<'a> {
    /// Measurement and tags.
    series: &'a str,
    fields: Vec<(&'a str, &'a str)>,
    time: &'a str,
}

/// The points of the series whose field says most that it is a current, as a tab-separated table: one column a field,
/// and the time; `None` when the text is no line protocol. O(n).
///
/// A `choice` that names a series or a field goes before what they say.
pub(super) fn table(
    text: &[u8],
    choice: Option<&ColumnChoice>,
    told: &mut Told,
) -> Option<Vec<u8>> {
    if !speaks(text) {
        return None;
    }
    let end = line_end(&text[..text.len().min(1 << 20)]);
    let mut fields: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for point in Lines::new(text, end).filter_map(|(_, line)| point(line)) {
        for (field, value) in &point.fields {
            if number(value).is_some() && fields.len() < SERIES {
                *fields.entry((point.series, field)).or_default() += 1;
            }
        }
    }
    let wanted = match choice {
        Some(ColumnChoice::Header(name)) => Some(name.trim()),
        _ => None,
    };
    let mut ranked: Vec<(i32, usize, (&str, &str))> = fields
        .into_iter()
        .map(|(key, count)| {
            let asked = wanted.is_some_and(|name| {
                [key.0, key.1, &title(key.0, key.1)].iter().any(|n| n.eq_ignore_ascii_case(name))
            });
            (if asked { 1000 } else { claim(key.0, key.1).unwrap_or(0) }, count, key)
        })
        .collect();
    ranked.sort_by(|a, b| b.0.cmp(&a.0).then(b.1.cmp(&a.1)).then(a.2.cmp(&b.2)));
    let &(score, _, (series, current)) = ranked.first()?;
    let others: Vec<&(i32, usize, (&str, &str))> =
        ranked.iter().filter(|r| r.2.0 != series).collect();
    let points: Vec<Option<Point<'_>>> = Lines::new(text, end)
        .map(|(_, line)| {
            point(line).filter(|p| {
                p.series == series && p.fields.iter().any(|(field, _)| *field == current)
            })
        })
        .collect();
    let mut names: Vec<&str> = Vec::new();
    for (name, _) in points.iter().flatten().flat_map(|p| &p.fields) {
        if !names.contains(name) && names.len() < 256 {
            names.push(name);
        }
    }
    told.decisions.push(Decision {
        what: "layout".to_owned(),
        chosen: format!("the fields of \"{}\" became the columns", shown(series)),
        why: if others.is_empty() {
            "every line is a point of the line protocol".to_owned()
        } else {
            format!(
                "every line is a point of the line protocol; the {} other series were passed over",
                others.iter().map(|r| r.2.0).collect::<std::collections::BTreeSet<_>>().len()
            )
        },
        option: None,
    });
    let rivals: Vec<String> = others
        .iter()
        .filter(|r| (50..1000).contains(&r.0) && score < 1000)
        .take(8)
        .map(|r| format!("\"{}\"", shown(&title(r.2.0, r.2.1))))
        .collect();
    if !rivals.is_empty() {
        told.cautions.push(Caution::new(
            "rival-currents",
            format!(
                "the series \"{}\" was read as the current; {} could be meant as well: choose with --current-column",
                shown(series),
                rivals.join(", ")
            ),
        ));
    }
    let mut out: Vec<u8> = Vec::with_capacity(text.len());
    for name in &names {
        out.extend_from_slice(column_title(series, name).as_bytes());
        out.push(b'\t');
    }
    out.extend_from_slice(b"timestamp\n");
    for point in points {
        if let Some(point) = point {
            for name in &names {
                let value = point.fields.iter().find(|(field, _)| field == name);
                let value = value.map_or("", |(_, value)| number(value).unwrap_or(value));
                out.extend(value.bytes().filter(|b| *b != b'\t'));
                out.push(b'\t');
            }
            out.extend_from_slice(point.time.as_bytes());
        }
        out.push(b'\n');
    }
    Some(out)
}

/// Whether the first lines are points.
pub(super) fn speaks(text: &[u8]) -> bool {
    let end = line_end(&text[..text.len().min(1 << 20)]);
    let lines = Lines::new(text, end)
        .map(|(_, line)| line.trim_ascii())
        .filter(|line| !line.is_empty() && !line.starts_with(b"#"))
        .take(LOOKED);
    let (mut seen, mut alike) = (0, 0);
    for line in lines {
        seen += 1;
        alike += usize::from(point(line).is_some());
        // Most files are none: that shows at once.
        if seen == 10 && alike == 0 {
            return false;
        }
    }
    alike >= 3 && alike * 10 >= seen * 8
}

/// How strongly a field says that it is a current.
fn claim(series: &str, field: &str) -> Option<i32> {
    names_current(field).or_else(|| {
        // `value` of a series that names a current.
        let words = series.replace([',', '='], " ");
        names_current(&format!("{words} {field}")).or_else(|| names_current(&words)).map(|s| s - 5)
    })
}

fn title(series: &str, field: &str) -> String {
    format!("{series} {field}")
}

/// The field's name, with the series' where the field alone says nothing.
fn column_title(series: &str, field: &str) -> String {
    let name = if names_current(field).is_none() && claim(series, field).is_some() {
        format!("{} {field}", series.replace([',', '='], " "))
    } else {
        field.to_owned()
    };
    name.replace(['\t', '\\'], " ")
}

/// The digits of a numeric value, without the mark of an integer.
fn number(value: &str) -> Option<&str> {
    let bare = value.strip_suffix(['i', 'u']).unwrap_or(value);
    (bare.parse::<f64>().is_ok() && bare.ends_with(|c: char| c.is_ascii_digit() || c == '.'))
        .then_some(bare)
}

/// A line as a point; `None` when it is none.
fn point(line: &[u8]) -> Option<Point<'_>> {
    if line.len() > 4096 {
        return None;
    }
    let text = std::str::from_utf8(line).ok()?.trim();
    let mut parts = split(text, ' ').into_iter();
    let (series, fields) = (parts.next()?, parts.next()?);
    let time = parts.next().unwrap_or_default();
    let mut keys = split(series, ',').into_iter();
    let measurement = keys.next()?;
    let mut tags = 0;
    for tag in keys {
        split_pair(tag)?;
        tags += 1;
    }
    let named = measurement.starts_with(|c: char| c.is_alphabetic() || c == '_');
    let timed = (10..=19).contains(&time.len()) && time.bytes().all(|b| b.is_ascii_digit());
    if parts.next().is_some()
        || !named
        || split_pair(measurement).is_some()
        || !(timed || time.is_empty() && tags > 0)
    {
        return None;
    }
    let fields: Vec<(&str, &str)> =
        split(fields, ',').into_iter().map(split_pair).collect::<Option<_>>()?;
    Some(Point { series, fields, time })
}

/// `key=value` at the first equals sign that no backslash stands before.
fn split_pair(text: &str) -> Option<(&str, &str)> {
    let at = text.match_indices('=').map(|(at, _)| at).find(|at| !text[..*at].ends_with('\\'))?;
    let (key, value) = (&text[..at], text[at + 1..].trim_matches('"'));
    (!key.is_empty() && !value.is_empty()).then_some((key, value))
}

/// The parts between marks that neither stand in quotes nor after a backslash.
fn split(text: &str, mark: char) -> Vec<&str> {
    let (mut quoted, mut escaped) = (false, false);
    text.split(|c: char| {
        let parts = c == mark && !quoted && !escaped;
        quoted ^= c == '"' && !escaped;
        escaped = c == '\\' && !escaped;
        parts
    })
    .filter(|part| !part.is_empty())
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turned(text: &str) -> Option<(String, Told)> {
        let mut told = Told::default();
        table(text.as_bytes(), None, &mut told).map(|t| (String::from_utf8(t).unwrap(), told))
    }

    #[test]
    fn points_become_rows_of_the_series_that_is_a_current() {
        let text = "hut,line=battery current_mA=118i,voltage=12.5 1773522900000000000\n\
                    hut,line=panel temperature=11.5 1773522900000000000\n\
                    hut,line=battery current_mA=117i,voltage=12.5 1773522901000000000\n\
                    hut,line=battery voltage=12.5 1773522902000000000\n\
                    hut,line=battery voltage=12.5,current_mA=119i 1773522903000000000\n";
        let (table, told) = turned(text).unwrap();
        assert_eq!(
            table,
            "current_mA\tvoltage\ttimestamp\n118\t12.5\t1773522900000000000\n\n\
             117\t12.5\t1773522901000000000\n\n119\t12.5\t1773522903000000000\n"
        );
        assert!(told.cautions.is_empty());
    }

    #[test]
    fn of_several_currents_the_batterys_goes_first_and_the_others_are_told() {
        let point =
            |line: &str, i: u64| format!("current,line={line} value=0.1 {}\n", 1_773_522_900 + i);
        let text: String = (0..5).map(|i| point("pump", i) + &point("battery", i)).collect();
        let (table, told) = turned(&text).unwrap();
        assert!(table.starts_with("current line battery value\ttimestamp\n\n0.1\t1773522900\n"));
        assert_eq!(told.cautions[0].code, "rival-currents");
        assert!(told.cautions[0].text.contains("line=pump"));
    }

    #[test]
    fn what_is_no_line_protocol_is_left_alone() {
        for text in [
            "t=0 I=1.5\nt=1 I=1.6\nt=2 I=1.7\n",
            "time,current\n0,1\n1,2\n2,3\n",
            "pump on 1773522900\npump off 1773522901\npump on 1773522902\n",
        ] {
            assert!(turned(text).is_none(), "{text}");
        }
    }
}
