//! What a value must be, and the fault that says so.

use crate::simulate::meter::LARGEST;
use crate::simulate::place::Key;

/// What cannot be, and the path of the key that says it.
#[derive(Debug)]
pub(in crate::simulate) struct Fault {
    pub(in crate::simulate) path: Vec<Key>,
    pub(in crate::simulate) found: String,
    pub(in crate::simulate) advice: String,
}

pub(super) type Checked<T> = Result<T, Fault>;

pub(super) fn fault<T>(
    path: &[Key],
    found: impl Into<String>,
    advice: impl Into<String>,
) -> Checked<T> {
    Err(Fault { path: path.to_vec(), found: found.into(), advice: advice.into() })
}

/// A path from its keys and places.
macro_rules! keys {
    ($($key:expr),+) => { [$(Key::from($key)),+] };
}

pub(super) fn within(path: &[Key], value: f64, holds: bool, wanted: &str) -> Checked<f64> {
    if holds && value.abs() <= LARGEST {
        Ok(value)
    } else {
        let name = path.iter().rev().find_map(|key| match key {
            Key::Name(name) => Some(*name),
            Key::At(_) => None,
        });
        fault(path, format!("{} is {value}", name.unwrap_or("it")), format!("give {wanted}"))
    }
}

pub(super) fn finite(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, true, "a finite number")
}

pub(super) fn positive(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, value > 0.0, "a number above 0")
}

pub(super) fn not_negative(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, value >= 0.0, "0 or a number above it")
}

pub(super) fn share(path: &[Key], value: f64) -> Checked<f64> {
    within(path, value, (0.0..=1.0).contains(&value), "a share from 0 to 1")
}

pub(super) fn under(path: &[Key], key: &'static str) -> Vec<Key> {
    let mut path = path.to_vec();
    path.push(Key::Name(key));
    path
}

pub(super) fn same(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}

/// The place of `wanted` among `known`, or a fault that lists them.
pub(super) fn one_of<'a>(
    path: &[Key],
    what: &str,
    wanted: &str,
    known: impl Iterator<Item = &'a str> + Clone,
) -> Checked<usize> {
    match known.clone().position(|name| same(name, wanted)) {
        Some(place) => Ok(place),
        None => {
            let names: Vec<String> = known.map(|name| format!("\"{name}\"")).collect();
            fault(
                path,
                format!("the {what} \"{wanted}\" is not known"),
                if names.is_empty() {
                    format!("describe a {what} first")
                } else {
                    format!("write one of {}", names.join(", "))
                },
            )
        }
    }
}

pub(super) fn choice<T: Copy>(
    path: &[Key],
    what: &str,
    wanted: &str,
    known: &[(&str, T)],
) -> Checked<T> {
    Ok(known[one_of(path, what, wanted, known.iter().map(|(name, _)| *name))?].1)
}

pub(super) use keys;
