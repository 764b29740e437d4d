//! The command line: as typed (`args`) → checked (`config`) → one file a command.

mod args;
mod commands;
mod config;
mod console;
mod exit;
mod inputs;
mod store;
mod unit_list;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use args::{Cli, Command};
use console::Console;

/// Parses `arguments`, runs the command, and returns the process's exit code.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version also come this way; a closed pipe is no error.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { exit::WRONG_INPUT } else { exit::DONE });
        }
    };
    let console = Console::new(cli.quiet);
    let outcome = match cli.command {
        Command::Analyze(args) => commands::analyze::run(args, &console),
        Command::Inspect(args) => commands::inspect::run(args, &console),
        Command::Starter(args) => commands::starter::run(args, &console),
        Command::Batch(args) => commands::batch::run(args, &console),
        Command::Compare(args) => commands::compare::run(args, &console),
        Command::Budget(args) => commands::budget::run(args, &console),
        Command::Scale(args) => commands::scale::run(args, &console),
        Command::Simulate(args) => commands::simulate::run(args, &console),
        Command::Completions { shell } => {
            console.print(&commands::generated::completions(shell, &mut Cli::command()))
        }
        Command::Manual => {
            commands::generated::manual(Cli::command()).and_then(|page| console.print_bytes(&page))
        }
    };
    match outcome {
        Ok(code) => ExitCode::from(code),
        Err(fault) => {
            console.fault(&fault);
            ExitCode::from(exit::WRONG_INPUT)
        }
    }
}
