//! A column beside the readings that says by how much to multiply them: an SI prefix (`m`), an exponent, a factor.

use super::columns::{Column, cell_unit};
use super::options::CurrentUnit;
use super::table::Table;

/// The column of prefixes that, put before the unit in `unit` row by row, make a unit of current, and the units made.
pub(super) fn prefixes(
    table: &Table,
    columns: &[Column],
    place: usize,
    unit: usize,
) -> Option<(usize, Vec<CurrentUnit>)> {
    let named = |c: &&Column| {
        let words = ["prefix", "prefixes", "préfixe", "prefijo", "prefisso", "vorsatz", "prefiks"];
        c.numbers == 0 && c.words().iter().any(|w| words.contains(&w.as_str()))
    };
    columns.iter().filter(|c| c.place != place && c.place != unit).filter(named).find_map(|c| {
        let mut units = Vec::new();
        let mut some = false;
        for row in &table.sample {
            let (prefix, unit) = (row.get(c.place)?, row.get(unit)?);
            some |= !prefix.is_empty();
            let made = prefixed(prefix, unit)?;
            if !units.contains(&made) {
                units.push(made);
            }
        }
        some.then_some((c.place, units))
    })
}

/// `m` before `A`.
pub(super) fn prefixed(prefix: &[u8], unit: &[u8]) -> Option<CurrentUnit> {
    let known = matches!(prefix, b"" | b"m" | b"u" | b"n" | b"k" | b"\xC2\xB5" | b"\xCE\xBC");
    known.then(|| cell_unit(&[prefix, unit].concat())).flatten()
}

/// A column named after what multiplies the readings, whose cells do not leave them as they are.
pub(super) fn multiplier(columns: &[Column], place: usize) -> Option<&Column> {
    let named = |c: &Column| {
        let words = c.words();
        let has = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
        has(&["exponent", "multiplier", "multiplikator", "prefix", "vorsatz", "scaling"])
            || words.len() <= 2
                && has(&["factor", "faktor"])
                && !has(&["power", "crest", "form"])
            // A scale above 1 is more often what another column counts up to.
            || words.len() == 1 && has(&["scale"]) && c.high < 1.0
    };
    let neutral = |c: &Column| {
        let one = if c.words().iter().any(|w| w == "exponent") { 0.0 } else { 1.0 };
        c.numbers > 0 && c.low == one && c.high == one
    };
    columns.iter().find(|c| {
        c.place != place && c.numbers + c.texts > 0 && c.times == 0 && named(c) && !neutral(c)
    })
}
