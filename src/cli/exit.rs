//! Exit codes, as documented in the README.

/// Done.
pub(crate) const DONE: u8 = 0;
/// Done, and with `--strict` a load is non-conforming or the capture cannot be trusted.
pub(crate) const NOT_PASSED: u8 = 1;
/// The command line or an input is wrong; nothing was written.
pub(crate) const WRONG_INPUT: u8 = 2;
