//! The rows of a plain table, read in pieces on all cores.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use rayon::prelude::*;

use super::super::stamp::RawDate;
use super::axis::{self, EvenClock};
use super::clock::Clock;
use super::rows::{Form, Row, each_row};
use super::{NotPlain, Progress, Source, TimeAxis};

/// Bytes that one thread reads at a time.
pub(super) const PIECE: usize = 1 << 20;

/// Longest row that is taken for plain.
pub(super) const LONGEST_ROW: usize = 1 << 16;

/// Bytes of a piece that are looked at for the number of digits in its times.
const GLANCE: usize = 1 << 10;

const DAY_S: f64 = 86_400.0;

/// The rows of a plain table, cut into pieces.
pub(super) struct Table<'a, S: ?Sized> {
    pub(super) source: &'a S,
    pub(super) form: Form,
    pub(super) first_row: usize,
    pub(super) end: usize,
    pub(super) progress: &'a dyn Progress,
    /// Length of the file.
    pub(super) len: usize,
    /// Buffers that no task is using.
    pub(super) buffers: Mutex<Vec<Vec<u8>>>,
}

/// What came of the rows.
pub(super) struct Rows {
    pub(super) time: TimeAxis,
    pub(super) time_decimals: i32,
    pub(super) current: Vec<f64>,
    pub(super) current_decimals: i32,
    /// See [`Clock::dates`].
    pub(super) dates: Vec<RawDate>,
}

/// A first look at a piece.
#[derive(Clone, Copy)]
struct Glance {
    /// Lines, those that are empty included.
    lines: usize,
    first_s: f64,
    last_s: f64,
    time_decimals: i32,
}

/// What came of one piece.
#[derive(Clone, Default)]
struct Piece {
    rows: usize,
    time_decimals: i32,
    current_decimals: i32,
    /// Largest distance from the even clock, seconds.
    distance_s: f64,
    /// Midnights passed.
    midnights: u32,
    dates: Vec<RawDate>,
}

impl<S: Source + ?Sized> Table<'_, S> {
    /// What `of` makes of a buffer that an earlier task may have used.
    fn with_buffer<T>(&self, of: impl FnOnce(&mut Vec<u8>) -> T) -> T {
        let free = || self.buffers.lock().unwrap_or_else(PoisonError::into_inner);
        let mut buffer = free().pop().unwrap_or_default();
        let made = of(&mut buffer);
        free().push(buffer);
        made
    }

    /// The bytes of piece `piece` from its first row on, how many of them may start a row, and
    /// the offset of the first. They end with a whole row.
    fn piece<'b>(
        &'b self,
        piece: usize,
        buffer: &'b mut Vec<u8>,
    ) -> Result<(&'b [u8], usize, usize), NotPlain> {
        let start = self.first_row + piece * PIECE;
        let end = (start + PIECE).min(self.end);
        let not_plain = NotPlain { offset: start };
        // The byte before tells whether a row starts at the very first byte.
        let from = start - usize::from(piece > 0);
        let to = (end + LONGEST_ROW).min(self.end);
        let mut bytes = self.source.bytes(from..to, buffer).map_err(|_| not_plain)?;
        if to < self.end {
            let whole = memchr::memrchr(b'\n', bytes).ok_or(not_plain)? + 1;
            bytes = &bytes[..whole];
        }
        let skipped = match piece {
            0 => 0,
            _ => memchr::memchr(b'\n', bytes).ok_or(not_plain)? + 1,
        };
        Ok((&bytes[skipped..], (end - from).saturating_sub(skipped), from + skipped))
    }

    fn glance<C: Clock>(
        &self,
        piece: usize,
        clock: &C,
        buffer: &mut Vec<u8>,
    ) -> Result<Glance, NotPlain> {
        let (bytes, starts, offset) = self.piece(piece, buffer)?;
        let starts = starts.min(bytes.len());
        let mut glance = Glance { lines: 0, first_s: 0.0, last_s: 0.0, time_decimals: i32::MIN };
        if starts == 0 {
            return Ok(glance);
        }
        glance.lines = 1 + memchr::memchr_iter(b'\n', &bytes[..starts - 1]).count();
        let mut clock = clock.clone();
        // A row that does not follow the layout is the next pass's to name.
        let mut look = |from: usize, until: usize| {
            let mut times = (f64::NAN, f64::NAN);
            let take = |i, row: Row| {
                times = (if i == 0 { row.time_s } else { times.0 }, row.time_s);
                glance.time_decimals = glance.time_decimals.max(row.time_decimals);
                Some(())
            };
            let read = each_row(&self.form, &mut clock, &bytes[from..], until - from, offset, take);
            if read.is_ok() { times } else { (f64::NAN, f64::NAN) }
        };
        glance.first_s = look(0, starts.min(GLANCE)).0;
        let last = memchr::memrchr(b'\n', &bytes[..starts - 1]).map_or(0, |at| at + 1);
        glance.last_s = look(last, starts).1;
        Ok(glance)
    }

    /// Reads all pieces, each row's number and the piece's own slots of the result going to `take`.
    fn pass<C: Clock, T: Send>(
        &self,
        clock: &C,
        slots: Vec<T>,
        take: impl Fn(&mut Piece, &mut T, usize, Row) -> Option<()> + Sync,
    ) -> Result<Vec<Piece>, NotPlain> {
        let done = AtomicUsize::new(0);
        let failed = AtomicUsize::new(usize::MAX);
        let results: Vec<Result<Piece, NotPlain>> = slots
            .into_par_iter()
            .enumerate()
            .map(|(index, mut slot)| {
                let mut piece = Piece {
                    time_decimals: i32::MIN,
                    current_decimals: i32::MIN,
                    ..Piece::default()
                };
                // Which row is named must not depend on who comes first: earlier pieces go on.
                if failed.load(Ordering::Relaxed) < index {
                    return Ok(piece);
                }
                self.with_buffer(|buffer| {
                    let (bytes, starts, offset) = self.piece(index, buffer)?;
                    let mut clock = clock.clone();
                    clock.restart();
                    let rows = each_row(&self.form, &mut clock, bytes, starts, offset, |i, row| {
                        piece.time_decimals = piece.time_decimals.max(row.time_decimals);
                        piece.current_decimals = piece.current_decimals.max(row.current_decimals);
                        take(&mut piece, &mut slot, i, row)
                    });
                    piece.rows = rows.inspect_err(|_| {
                        failed.fetch_min(index, Ordering::Relaxed);
                    })?;
                    piece.dates = clock.dates();
                    let now = done.fetch_add(starts, Ordering::Relaxed) + starts;
                    self.progress.at((self.first_row + now).min(self.len) as u64, self.len as u64);
                    Ok(piece)
                })
            })
            .collect();
        results.into_iter().collect()
    }

    pub(super) fn read<C: Clock>(
        &self,
        clock: C,
        seconds_per_unit: f64,
        interval_s: Option<f64>,
    ) -> Result<Rows, NotPlain> {
        let pieces = (self.end - self.first_row).div_ceil(PIECE);
        let glances: Vec<Glance> = (0..pieces)
            .into_par_iter()
            .map(|piece| self.with_buffer(|buffer| self.glance(piece, &clock, buffer)))
            .collect::<Vec<_>>()
            .into_iter()
            .collect::<Result<_, _>>()?;
        let lines: Vec<usize> = glances.iter().map(|glance| glance.lines).collect();
        let total = lines.iter().sum();
        let mut current = vec![0.0; total];

        let seen = glances.iter().map(|glance| glance.time_decimals).max().unwrap_or(0);
        let resolution_s = |decimals| seconds_per_unit * printed_unit(decimals);
        let last = glances.iter().rev().find(|glance| glance.lines > 0);
        let last_s = last.map_or(0.0, |glance| glance.last_s);
        let even = match interval_s {
            Some(interval_s) => Some(EvenClock::given(interval_s)),
            None if C::WRAPS => None,
            None => EvenClock::through(last_s, total, resolution_s(seen)),
        };
        let even = even.filter(|even| interval_s.is_some() || self.plausible(even, &glances));
        if let Some(even) = even {
            let firsts = starts_of(&lines);
            let slots = slices(&mut current, &lines).into_iter().zip(firsts).collect();
            let read = self.pass(
                &clock,
                slots,
                |piece, (slot, first): &mut (&mut [f64], usize), i, row| {
                    *slot.get_mut(i)? = row.current;
                    if interval_s.is_none() {
                        piece.distance_s =
                            piece.distance_s.max(even.distance_s(*first + i, row.time_s));
                    }
                    Some(())
                },
            )?;
            let all = together(&read);
            let rows: usize = read.iter().map(|piece| piece.rows).sum();
            let exact = if interval_s.is_some() {
                true
            } else {
                rows == total
                    && EvenClock::through(last_s, total, resolution_s(all.time_decimals))
                        .is_some_and(|truly| {
                            truly.interval_s == even.interval_s && truly.allows(all.distance_s)
                        })
            };
            if exact {
                close_up(&mut current, &lines, &read);
                return Ok(Rows {
                    time: TimeAxis::Uniform { interval_s: even.interval_s, len: rows },
                    time_decimals: all.time_decimals,
                    current,
                    current_decimals: all.current_decimals,
                    dates: all.dates,
                });
            }
        }
        self.read_listed(clock, &lines, current, resolution_s)
    }

    /// Whether the even clock meets the first rows of all pieces.
    fn plausible(&self, even: &EvenClock, glances: &[Glance]) -> bool {
        let firsts =
            starts_of(glances.iter().map(|glance| glance.lines).collect::<Vec<_>>().as_slice());
        glances
            .iter()
            .zip(firsts)
            .filter(|(glance, _)| glance.lines > 0)
            .all(|(glance, first)| even.allows(even.distance_s(first, glance.first_s)))
    }

    fn read_listed<C: Clock>(
        &self,
        clock: C,
        lines: &[usize],
        mut current: Vec<f64>,
        resolution_s: impl Fn(i32) -> f64,
    ) -> Result<Rows, NotPlain> {
        let mut times = vec![0.0; current.len()];
        let slots =
            slices(&mut current, lines).into_iter().zip(slices(&mut times, lines)).collect();
        let read = self.pass(
            &clock,
            slots,
            |piece, (current, times): &mut (&mut [f64], &mut [f64]), i, row| {
                *current.get_mut(i)? = row.current;
                let mut time_s = row.time_s + DAY_S * f64::from(piece.midnights);
                if i > 0 && time_s < times[i - 1] {
                    if !midnight::<C>(times[i - 1], time_s) {
                        return None;
                    }
                    piece.midnights += 1;
                    time_s += DAY_S;
                }
                *times.get_mut(i)? = time_s;
                Some(())
            },
        )?;
        let mut previous_s = 0.0;
        let mut midnights = 0;
        for (index, (piece, times)) in read.iter().zip(slices(&mut times, lines)).enumerate() {
            let times = &mut times[..piece.rows];
            let Some(first_s) = times.first().map(|first| first + DAY_S * f64::from(midnights))
            else {
                continue;
            };
            if first_s < previous_s {
                if !midnight::<C>(previous_s, first_s) {
                    return Err(NotPlain { offset: self.first_row + index * PIECE });
                }
                midnights += 1;
            }
            if midnights > 0 {
                times.iter_mut().for_each(|time_s| *time_s += DAY_S * f64::from(midnights));
            }
            midnights += piece.midnights;
            previous_s = times[times.len() - 1];
        }
        close_up(&mut current, lines, &read);
        close_up(&mut times, lines, &read);
        let all = together(&read);
        Ok(Rows {
            time: axis::axis(times, resolution_s(all.time_decimals)),
            time_decimals: all.time_decimals,
            current,
            current_decimals: all.current_decimals,
            dates: all.dates,
        })
    }
}

/// Value of the last digit printed.
pub(super) fn printed_unit(decimals: i32) -> f64 {
    10f64.powi(-decimals.clamp(-300, 300))
}

/// Whether a fall from one time of day to the next is midnight.
fn midnight<C: Clock>(from_s: f64, to_s: f64) -> bool {
    C::WRAPS && from_s - to_s > 0.5 * DAY_S
}

fn together(pieces: &[Piece]) -> Piece {
    let mut all = Piece { time_decimals: i32::MIN, current_decimals: i32::MIN, ..Piece::default() };
    for piece in pieces {
        all.rows += piece.rows;
        all.time_decimals = all.time_decimals.max(piece.time_decimals);
        all.current_decimals = all.current_decimals.max(piece.current_decimals);
        all.distance_s = all.distance_s.max(piece.distance_s);
        all.midnights += piece.midnights;
        for date in &piece.dates {
            if all.dates.last() != Some(date) {
                all.dates.push(*date);
            }
        }
    }
    all
}

/// Number of the first line of each piece.
fn starts_of(lines: &[usize]) -> Vec<usize> {
    lines
        .iter()
        .scan(0, |next, lines| {
            let first = *next;
            *next += lines;
            Some(first)
        })
        .collect()
}

fn slices<'v>(mut values: &'v mut [f64], lines: &[usize]) -> Vec<&'v mut [f64]> {
    lines
        .iter()
        .map(|lines| {
            let (own, rest) = std::mem::take(&mut values).split_at_mut(*lines);
            values = rest;
            own
        })
        .collect()
}

/// Removes the slots that empty lines left over.
fn close_up(values: &mut Vec<f64>, lines: &[usize], pieces: &[Piece]) {
    let mut to = 0;
    for (from, piece) in starts_of(lines).into_iter().zip(pieces) {
        if from != to {
            values.copy_within(from..from + piece.rows, to);
        }
        to += piece.rows;
    }
    values.truncate(to);
}
