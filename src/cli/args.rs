//! The command line as typed: no file is opened and nothing is checked here but its form.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::findings::CAUTIONS_IN_BRIEF;

/// Where a battery's charge goes, from a current log that any meter or logger exported.
#[derive(Debug, Parser)]
#[command(
    name = "ebbmark",
    version,
    max_term_width = 100,
    arg_required_else_help = true,
    after_help = CAUTIONS_IN_BRIEF,
    after_long_help = CAUTIONS_IN_BRIEF
)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
    /// Hide progress and warnings
    #[arg(long, global = true)]
    pub(crate) quiet: bool,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// The main job: read, segment, match, attribute, judge, report
    Analyze(AnalyzeArgs),
    /// How the file was read, and why
    Inspect(InspectArgs),
    /// Write an event list and a job sheet to fill in, every step found already listed
    Starter(StarterArgs),
    /// Many units, one procedure: a row a unit, spread, outliers, capability
    Batch(BatchArgs),
    /// The same site before and after a repair: what changed, by how much, is it real
    Compare(CompareArgs),
    /// Ampere-hours a day, and how long the battery carries them
    Budget(BudgetArgs),
    /// A specified current at another supply voltage
    Scale(ScaleArgs),
    /// A capture with known truth: practice, demo, method checks
    Simulate(SimulateArgs),
    /// Shell completions on standard output
    Completions {
        /// Shell to complete for
        shell: clap_complete::Shell,
    },
    /// The manual page (roff) on standard output
    Manual,
}

/// For when a file cannot speak for itself. A default run needs none of these.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "When the file cannot speak for itself")]
pub(crate) struct ReadingArgs {
    /// Column with the time: its header, or its place counted from 1
    #[arg(long, value_name = "COLUMN")]
    pub(crate) time_column: Option<String>,
    /// Column with the current: its header, or its place counted from 1
    #[arg(long, value_name = "COLUMN")]
    pub(crate) current_column: Option<String>,
    /// Unit of the current column: A, mA, uA, nA, kA
    #[arg(long, value_name = "UNIT")]
    pub(crate) unit: Option<String>,
    /// Decimal mark of the numbers: point or comma
    #[arg(long, value_name = "MARK")]
    pub(crate) decimal_mark: Option<String>,
    /// Seconds between samples, for a file without times
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true)]
    pub(crate) interval: Option<f64>,
    /// How date and time are written, e.g. "%d/%m/%Y %H:%M:%S"
    #[arg(long, value_name = "FORMAT")]
    pub(crate) clock_format: Option<String>,
    /// Rows to pass over before the table starts
    #[arg(long, value_name = "ROWS")]
    pub(crate) skip_rows: Option<usize>,
    /// Text encoding, e.g. utf-8, windows-1252, utf-16le
    #[arg(long, value_name = "LABEL")]
    pub(crate) encoding: Option<String>,
    /// Sheet of a spreadsheet
    #[arg(long, value_name = "NAME")]
    pub(crate) sheet: Option<String>,
    /// The clamp was put on the other way round: turn the sign
    #[arg(long)]
    pub(crate) reverse: bool,
}

/// What matters to this user.
#[derive(Debug, Clone, Args)]
pub(crate) struct JudgingArgs {
    /// Smallest change that matters, in ampere (or with a unit: 5mA, 20uA)
    #[arg(long, value_name = "AMPS", allow_negative_numbers = true)]
    pub(crate) smallest_step: Option<String>,
    /// Largest accepted probability of passing a load that does not conform
    #[arg(
        long,
        value_name = "PROBABILITY",
        default_value_t = 0.025,
        allow_negative_numbers = true
    )]
    pub(crate) risk: f64,
    /// Exit with 1 when a load or its sleep is non-conforming, its sleep could not be held to a limit, or the
    /// capture cannot be trusted
    #[arg(long)]
    pub(crate) strict: bool,
}

#[derive(Debug, Args)]
pub(crate) struct AnalyzeArgs {
    /// The log, in whatever form it was exported; - for standard input
    pub(crate) capture: PathBuf,
    /// What was switched when (CSV)
    #[arg(long, value_name = "EVENTS")]
    pub(crate) events: Option<PathBuf>,
    /// What is known of site, meter, loads and battery (TOML)
    #[arg(long, value_name = "JOBSHEET")]
    pub(crate) jobsheet: Option<PathBuf>,
    /// Folder for report.html, result.json, tables and plots
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the result document alone
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) judging: JudgingArgs,
    #[command(flatten)]
    pub(crate) reading: ReadingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct InspectArgs {
    /// The log; - for standard input
    pub(crate) capture: PathBuf,
    /// Print the document alone
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) reading: ReadingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct StarterArgs {
    /// The log; - for standard input
    pub(crate) capture: PathBuf,
    /// Folder for events.csv and jobsheet.toml
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub(crate) out: PathBuf,
    /// Smallest change that matters, in ampere (or with a unit: 5mA, 20uA)
    #[arg(long, value_name = "AMPS", allow_negative_numbers = true)]
    pub(crate) smallest_step: Option<String>,
    #[command(flatten)]
    pub(crate) reading: ReadingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct BatchArgs {
    /// The one job sheet of the procedure
    pub(crate) jobsheet: PathBuf,
    /// Captures: files, folders or patterns
    #[arg(required = true, value_name = "CAPTURE")]
    pub(crate) captures: Vec<PathBuf>,
    /// What was switched when, the same for every unit (CSV)
    #[arg(long, value_name = "EVENTS")]
    pub(crate) events: Option<PathBuf>,
    /// Folder for the batch's report and tables; a stopped run resumes from it
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the document alone
    #[arg(long)]
    pub(crate) json: bool,
    /// Where the unit's identity stands in the file name: a pattern with {unit}, e.g. "rx-{unit}_*.csv"
    #[arg(long, value_name = "PATTERN")]
    pub(crate) unit_name: Option<String>,
    /// List of captures with their units: CSV with the columns file, unit
    #[arg(long, value_name = "LIST")]
    pub(crate) unit_list: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) judging: JudgingArgs,
    #[command(flatten)]
    pub(crate) reading: ReadingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// Log before the repair
    pub(crate) before: PathBuf,
    /// Log after the repair
    pub(crate) after: PathBuf,
    /// Event list of the log before
    #[arg(long, value_name = "EVENTS")]
    pub(crate) events_before: Option<PathBuf>,
    /// Event list of the log after
    #[arg(long, value_name = "EVENTS")]
    pub(crate) events_after: Option<PathBuf>,
    /// What is known of site, meter, loads and battery (TOML)
    #[arg(long, value_name = "JOBSHEET")]
    pub(crate) jobsheet: Option<PathBuf>,
    /// Folder for the page to hand over and its tables
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the document alone
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) judging: JudgingArgs,
    #[command(flatten)]
    pub(crate) reading: ReadingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct BudgetArgs {
    /// Job sheet with a battery
    pub(crate) jobsheet: PathBuf,
    /// Result document of an analyze run to take draws and duty from
    #[arg(long, value_name = "RESULT.json")]
    pub(crate) from: Option<PathBuf>,
    /// Print the document alone
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ScaleArgs {
    /// Current as specified, in ampere (or with a unit: 30mA)
    #[arg(allow_negative_numbers = true)]
    pub(crate) current: String,
    /// Voltage it was specified at
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true)]
    pub(crate) from: f64,
    /// Voltage to carry it to
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true)]
    pub(crate) to: f64,
    /// How the load's current follows the voltage
    #[arg(long, value_name = "KIND", value_enum, default_value_t = Behaviour::ConstantPower)]
    pub(crate) behaves_as: Behaviour,
    /// Print the document alone
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Behaviour {
    /// Switching supply: current falls as the voltage rises
    ConstantPower,
    /// Linear regulator: the same current at any voltage
    ConstantCurrent,
    /// Heater, lamp, resistor: current rises with the voltage
    Resistive,
}

#[derive(Debug, Args)]
pub(crate) struct SimulateArgs {
    /// Scenario (TOML)
    pub(crate) scenario: PathBuf,
    /// Seed of the random numbers; the scenario's own when absent
    #[arg(long, value_name = "N")]
    pub(crate) seed: Option<u64>,
    /// Folder for the capture, event list, job sheet and truth
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub(crate) out: PathBuf,
}
