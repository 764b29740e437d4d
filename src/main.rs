//! The thin binary: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    ebbmark::cli::run(std::env::args_os())
}
