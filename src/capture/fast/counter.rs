//! Counters whose numbers are large.

use super::super::row::{counts, number_of_counter};
use super::clock::{Clock, Tick};

/// A large counter, as of seconds or milliseconds since 1970, whose whole part is an integer.
#[derive(Debug, Clone)]
pub(super) struct Counter {
    pub(super) decimal_mark: u8,
    pub(super) seconds_per_unit: f64,
    /// The number that is taken off before any digit is lost.
    pub(super) origin: i64,
    /// The first row's number less the origin.
    pub(super) first: f64,
}

impl Counter {
    /// The number at the start of `bytes` less the origin, its length and its places.
    #[inline(always)]
    pub(super) fn read(&self, bytes: &[u8]) -> Option<(f64, usize, i32)> {
        let digits = bytes.iter().take(20).take_while(|byte| byte.is_ascii_digit()).count();
        let mut len = digits;
        if bytes.get(digits) == Some(&self.decimal_mark) {
            len += 1 + bytes[digits + 1..].iter().take_while(|b| b.is_ascii_digit()).count();
        }
        if digits < 10 || !counts(&bytes[..digits]) || len > digits + 10 {
            return None;
        }
        let value = number_of_counter(&bytes[..len], digits, self.origin)?;
        Some((value, len, (len - digits).saturating_sub(1) as i32))
    }
}

impl Clock for Counter {
    #[inline(always)]
    fn tick(&mut self, bytes: &[u8]) -> Option<Tick> {
        let (value, len, decimals) = self.read(bytes)?;
        Some(Tick { time_s: (value - self.first) * self.seconds_per_unit, len, decimals })
    }
}
