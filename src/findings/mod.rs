//! The result documents: the types that every stage may fill and every face of the report reads.
//!
//! They are owned by nobody and know nothing but serde. Field names carry their SI unit
//! (`_a` ampere, `_s` second, `_ah` ampere-hour, `_v` volt); "not available" is `None`, written
//! as JSON `null`, never 0. The JSON Schema of each document is generated from these types.

mod analysis;
mod battery;
mod others;
mod safety;
mod sleep;

pub use analysis::*;
pub use battery::*;
pub use others::*;
pub use safety::{CAUTIONS_IN_BRIEF, SAFETY};
pub use sleep::*;
