//! One file a command: open, call the library, print or write.

pub(crate) mod analyze;
pub(crate) mod generated;
pub(crate) mod inspect;
pub(crate) mod scale;
pub(crate) mod starter;
