//! `ebbmark`: where a battery's charge goes, from a current log that any meter or logger exported.
//!
//! Data flows one way, and each stage is a folder, a pure function on plain data from the
//! stage before, that knows only the stages to its left:
//!
//! ```text
//! capture ──► segment ──► events ──► loads ──► judge ──► report
//!  a file      steady      what was    draw a    verdict,   text, JSON, HTML,
//!  becomes     states      done, and   load,     score,     Parquet, plots
//!  samples     and steps   when        ± U       advice
//! ```
//!
//! [`pipeline`] strings them together; `batch`, `compare` and `budget` are users of the line.
//! [`findings`], [`jobsheet`], [`fault`] and [`numeric`] are the ground that all stand on.

// The visits that the events stage is tested on are those of an example, which names the crate.
#[cfg(test)]
extern crate self as ebbmark;

pub mod batch;
pub mod budget;
pub mod capture;
#[cfg(test)]
mod chance;
pub mod cli;
pub mod compare;
pub mod events;
pub mod fault;
pub mod findings;
pub mod jobsheet;
pub mod judge;
pub mod loads;
pub mod numeric;
pub mod pipeline;
pub mod report;
pub mod scale;
pub mod segment;
pub mod simulate;
