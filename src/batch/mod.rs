//! Many units, one procedure.

mod capability;
mod order;
mod outliers;
mod spread;
