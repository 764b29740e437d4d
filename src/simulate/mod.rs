//! Captures with a known truth: practice for people, the demo, and checks of every stage.
//!
//! [`meter`] is the physics that a clamp or meter adds to a current.

pub mod meter;
