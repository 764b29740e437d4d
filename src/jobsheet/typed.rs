//! The job sheet as typed: every key with its place in the text, nothing checked but types.

use serde::Deserialize;
use serde_spanned::Spanned;

pub(super) type Number = Option<Spanned<f64>>;
pub(super) type Text = Option<Spanned<String>>;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sheet {
    #[serde(default)]
    pub(super) site: Site,
    pub(super) meter: Option<Meter>,
    #[serde(default)]
    pub(super) load: Vec<Spanned<Load>>,
    pub(super) sleep: Option<Sleep>,
    pub(super) battery: Option<Battery>,
    pub(super) solar: Option<Spanned<Solar>>,
    pub(super) complaint: Option<Complaint>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Site {
    pub(super) name: Text,
    pub(super) supply_voltage_v: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Meter {
    pub(super) accuracy_percent_of_reading: Number,
    pub(super) accuracy_counts: Number,
    pub(super) resolution_a: Number,
    pub(super) zero_return_tolerance_a: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Load {
    pub(super) name: Spanned<String>,
    pub(super) behaves_as: Text,
    #[serde(default)]
    pub(super) state: Vec<Spanned<State>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct State {
    pub(super) name: Spanned<String>,
    pub(super) specified_a: Number,
    pub(super) tolerance_percent: Number,
    pub(super) maximum_a: Number,
    pub(super) minimum_a: Number,
    pub(super) at_voltage_v: Number,
    pub(super) hours_per_day: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sleep {
    pub(super) sleep_max_a: Number,
    pub(super) sleep_within_s: Number,
    pub(super) wake_charge_max_ah: Number,
    pub(super) awake_share_max: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Battery {
    pub(super) capacity_ah: Spanned<f64>,
    pub(super) rated_hours: Number,
    pub(super) peukert_exponent: Number,
    pub(super) usable_fraction: Number,
    pub(super) temperature_c: Number,
    pub(super) temperature_factor: Number,
    pub(super) ageing_factor: Number,
    pub(super) self_discharge_percent_per_month: Number,
    pub(super) age_years: Number,
    pub(super) charging_efficiency: Number,
    pub(super) second_capacity_ah: Number,
    pub(super) second_rated_hours: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Solar {
    pub(super) panel_w: Number,
    pub(super) harvest_ah_per_day: Number,
    pub(super) sun_hours_per_day: Number,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Complaint {
    pub(super) lasted_days: Spanned<f64>,
}
