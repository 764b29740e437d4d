//! Exit codes, as documented in the README.

/// Done.
pub(crate) const DONE: u8 = 0;
/// Done, and with `--strict` a load is non-conforming, its sleep untried or the capture not to be trusted.
pub(crate) const NOT_PASSED: u8 = 1;
/// The command line or an input is wrong; nothing was written.
pub(crate) const WRONG_INPUT: u8 = 2;
