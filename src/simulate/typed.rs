//! The scenario as typed: every key, nothing checked but types. Places are found afterwards by
//! path (see [`super::place`]), so that the description stays plain.

use serde::Deserialize;
use toml::value::Datetime;

use super::meter::MeterParameters;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Scenario {
    pub(super) name: String,
    pub(super) seed: u64,
    pub(super) start: Datetime,
    pub(super) duration_s: f64,
    #[serde(default)]
    pub(super) meter: MeterParameters,
    #[serde(default)]
    pub(super) export: Export,
    pub(super) person: Option<Person>,
    pub(super) panel: Option<Panel>,
    #[serde(default)]
    pub(super) load: Vec<Load>,
    #[serde(default)]
    pub(super) action: Vec<Action>,
    #[serde(default)]
    pub(super) zero_check: Vec<ZeroCheck>,
    pub(super) jobsheet: Option<String>,
    pub(super) units: Option<Units>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Export {
    pub(super) preamble: Vec<String>,
    pub(super) time_header: String,
    pub(super) current_header: String,
    pub(super) row_number_header: Option<String>,
    pub(super) unit: String,
    pub(super) delimiter: String,
    pub(super) decimal_mark: String,
    pub(super) clock: String,
    pub(super) time_decimals: Option<u8>,
    pub(super) overload_text: String,
    pub(super) encoding: String,
    pub(super) line_ending: String,
    pub(super) reversed: bool,
}

impl Default for Export {
    fn default() -> Self {
        Self {
            preamble: Vec::new(),
            time_header: "time".to_owned(),
            current_header: "current (A)".to_owned(),
            row_number_header: None,
            unit: "A".to_owned(),
            delimiter: ",".to_owned(),
            decimal_mark: ".".to_owned(),
            clock: "date-time".to_owned(),
            time_decimals: None,
            overload_text: "OL".to_owned(),
            encoding: "utf-8".to_owned(),
            line_ending: "lf".to_owned(),
            reversed: false,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Person {
    pub(super) clock_offset_s: f64,
    pub(super) clock_drift_s_per_h: f64,
    pub(super) late_s: f64,
    pub(super) late_sd_s: f64,
    pub(super) rounds_to_s: f64,
    pub(super) writes: String,
    pub(super) forgets_share: f64,
}

impl Default for Person {
    fn default() -> Self {
        Self {
            clock_offset_s: 0.0,
            clock_drift_s_per_h: 0.0,
            late_s: 0.0,
            late_sd_s: 0.0,
            rounds_to_s: 1.0,
            writes: "time-of-day".to_owned(),
            forgets_share: 0.0,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Panel {
    pub(super) peak_a: f64,
    pub(super) rises_s: f64,
    pub(super) sets_s: f64,
    #[serde(default)]
    pub(super) cloud_share: f64,
    pub(super) cloud_period_s: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Load {
    pub(super) name: String,
    pub(super) powers_up_in: Option<String>,
    pub(super) starts_in: Option<String>,
    #[serde(default)]
    pub(super) state: Vec<State>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct State {
    pub(super) name: String,
    pub(super) draw_a: f64,
    pub(super) surge_a: Option<f64>,
    pub(super) surge_s: Option<f64>,
    pub(super) settles_s: Option<f64>,
    pub(super) grows_a_per_h: Option<f64>,
    pub(super) then: Option<String>,
    pub(super) after_s: Option<f64>,
    pub(super) after_sd_s: Option<f64>,
    pub(super) stuck_share: Option<f64>,
    pub(super) wakes: Option<Pulses>,
    pub(super) duty: Option<Duty>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Pulses {
    pub(super) period_s: f64,
    #[serde(default)]
    pub(super) period_sd_s: f64,
    pub(super) width_s: f64,
    #[serde(default)]
    pub(super) width_sd_s: f64,
    pub(super) above_a: f64,
    #[serde(default)]
    pub(super) above_sd_a: f64,
    #[serde(default)]
    pub(super) tail_s: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Duty {
    pub(super) on_s: f64,
    pub(super) off_s: f64,
    pub(super) above_a: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Action {
    pub(super) at_s: f64,
    pub(super) load: String,
    pub(super) state: String,
    #[serde(default = "yes")]
    pub(super) written: bool,
    pub(super) written_as: Option<String>,
    pub(super) note: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ZeroCheck {
    pub(super) at_s: f64,
    pub(super) for_s: f64,
    #[serde(default = "yes")]
    pub(super) written: bool,
    pub(super) note: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Units {
    pub(super) count: usize,
    pub(super) spread_percent: f64,
    #[serde(default)]
    pub(super) start_jitter_s: f64,
    #[serde(default)]
    pub(super) odd: Vec<OddUnit>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OddUnit {
    pub(super) number: usize,
    pub(super) load: String,
    pub(super) state: String,
    pub(super) draw_a: Option<f64>,
    pub(super) after_s: Option<f64>,
    pub(super) wake_period_s: Option<f64>,
    pub(super) why: String,
}

fn yes() -> bool {
    true
}
