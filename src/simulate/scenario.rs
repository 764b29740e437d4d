//! A scenario after every check: what the simulation may rely on.

use jiff::civil::DateTime;

use super::meter::Meter;
use crate::capture::CurrentUnit;

/// A site, a meter, what is done there and who writes it down, checked.
///
/// Made by [`parse`](super::parse) alone.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    pub(super) name: String,
    pub(super) seed: u64,
    pub(super) start: DateTime,
    pub(super) duration_s: f64,
    pub(super) meter: Meter,
    pub(super) export: Export,
    pub(super) person: Option<Person>,
    pub(super) panel: Option<Panel>,
    pub(super) loads: Vec<Load>,
    /// In order of time.
    pub(super) actions: Vec<Action>,
    pub(super) zero_checks: Vec<ZeroCheck>,
    pub(super) jobsheet: Option<String>,
    pub(super) units: Option<Units>,
}

impl Scenario {
    /// Its name, from which its files are named.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The seed it asks for; the same scenario and seed make the same files.
    pub fn seed(&self) -> u64 {
        self.seed
    }
}

/// How the meter's software writes a file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Export {
    pub(super) preamble: Vec<String>,
    pub(super) time_header: String,
    pub(super) current_header: String,
    pub(super) row_number_header: Option<String>,
    pub(super) unit: CurrentUnit,
    pub(super) delimiter: char,
    pub(super) decimal_mark: char,
    pub(super) clock: ClockForm,
    pub(super) time_decimals: usize,
    pub(super) current_decimals: usize,
    pub(super) overload_text: String,
    pub(super) encoding: Encoding,
    pub(super) line_ending: &'static str,
    pub(super) reversed: bool,
}

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ClockForm {
    /// 2026-05-12 09:04:30
    DateTime,
    /// 12.05.2026 09:04:30
    DayFirst,
    /// 05/12/2026 9:04:30 AM
    MonthFirst,
    /// Date and time in two columns.
    TwoColumns,
    /// 09:04:30
    TimeOfDay,
    /// Seconds from the first sample.
    Seconds,
    /// Seconds since 1970, the site's clock taken as UTC.
    EpochSeconds,
    /// No time column.
    Absent,
}

/// Bytes of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Utf8,
    Utf8WithMark,
    Utf16,
    Windows1252,
}

/// Who writes the event list, and with which watch.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Person {
    pub(super) clock_offset_s: f64,
    pub(super) clock_drift_s_per_h: f64,
    pub(super) late_s: f64,
    pub(super) late_sd_s: f64,
    pub(super) rounds_to_s: f64,
    pub(super) writes: ClockForm,
    pub(super) forgets_share: f64,
}

/// A solar panel that charges through the same lead.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Panel {
    pub(super) peak_a: f64,
    pub(super) rises_s: f64,
    pub(super) sets_s: f64,
    pub(super) cloud_share: f64,
    pub(super) cloud_period_s: f64,
}

/// A load and the states it can be in.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Load {
    pub(super) name: String,
    pub(super) powers_up_in: usize,
    pub(super) starts_in: Option<usize>,
    pub(super) states: Vec<State>,
}

/// What a load does in a state.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct State {
    pub(super) name: String,
    pub(super) draw_a: f64,
    /// Extra draw on entering, and the time constant it dies away with.
    pub(super) surge: Option<(f64, f64)>,
    /// Time constant of the way from the state before.
    pub(super) settles_s: Option<f64>,
    pub(super) grows_a_per_h: f64,
    pub(super) then: Option<Then>,
    pub(super) pulses: Option<Pulses>,
}

/// What a state turns into by itself.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Then {
    pub(super) state: usize,
    pub(super) after_s: f64,
    pub(super) after_sd_s: f64,
    /// Share of the times that it does not happen.
    pub(super) stuck_share: f64,
}

/// Repeated excursions above a state's draw.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pulses {
    pub(super) period_s: f64,
    pub(super) period_sd_s: f64,
    pub(super) width_s: f64,
    pub(super) width_sd_s: f64,
    pub(super) above_a: f64,
    pub(super) above_sd_a: f64,
    /// Time constant with which a pulse dies away after its width.
    pub(super) tail_s: f64,
    /// From entering the state to the first.
    pub(super) first_after_s: f64,
}

/// Something that is done at a moment.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Action {
    pub(super) at_s: f64,
    pub(super) load: usize,
    /// State it goes to; `None` for off.
    pub(super) to: Option<usize>,
    pub(super) written: bool,
    pub(super) written_load: String,
    pub(super) written_state: String,
    pub(super) note: Option<String>,
}

/// The clamp is off the lead.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ZeroCheck {
    pub(super) at_s: f64,
    pub(super) for_s: f64,
    pub(super) written: bool,
    pub(super) note: Option<String>,
}

/// Many units through one procedure, a capture each.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Units {
    pub(super) count: usize,
    pub(super) spread: f64,
    pub(super) start_jitter_s: f64,
    pub(super) odd: Vec<OddUnit>,
}

/// What one unit does unlike the others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct OddUnit {
    /// Counted from 0.
    pub(super) unit: usize,
    pub(super) load: usize,
    pub(super) state: usize,
    pub(super) draw_a: Option<f64>,
    pub(super) after_s: Option<f64>,
    pub(super) wake_period_s: Option<f64>,
    pub(super) why: String,
}
