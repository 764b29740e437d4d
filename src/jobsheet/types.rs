//! A job sheet after every check: what the stages may rely on.

use crate::findings::LoadBehaviour;
use crate::loads::MeterSpec;

/// What is known of the site, its meter, loads and battery.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobSheet {
    /// The site.
    pub site: Site,
    /// The meter; `None` when the sheet has no `[meter]`.
    pub meter: Option<MeterSpec>,
    /// Loads in file order, names unique but for case.
    pub loads: Vec<LoadSpec>,
    /// The battery.
    pub battery: Option<BatterySpec>,
}

/// Where the capture was made.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Site {
    /// Its name.
    pub name: Option<String>,
    /// Supply voltage, volt, positive.
    pub supply_voltage_v: Option<f64>,
}

/// One load.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadSpec {
    /// Its name.
    pub name: String,
    /// How its current follows the voltage; `None` when the sheet does not say.
    pub behaves_as: Option<LoadBehaviour>,
    /// Its states, the first being what `on` means.
    pub states: Vec<StateSpec>,
}

/// One state of a load, as specified.
#[derive(Debug, Clone, PartialEq)]
pub struct StateSpec {
    /// Its name.
    pub name: String,
    /// Typical current, ampere.
    pub specified_a: Option<f64>,
    /// Tolerance on the typical current, percent.
    pub tolerance_percent: Option<f64>,
    /// Largest allowed current, ampere.
    pub maximum_a: Option<f64>,
    /// Smallest allowed current, ampere.
    pub minimum_a: Option<f64>,
    /// Voltage the figures hold at, volt; the site's when absent.
    pub at_voltage_v: Option<f64>,
    /// Hours a day the load is in this state, for the budget; `None` to take it from the capture.
    pub hours_per_day: Option<f64>,
}

/// The battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BatterySpec {
    /// Rated capacity, ampere-hours.
    pub capacity_ah: f64,
    /// Hours of the rating.
    pub rated_hours: f64,
    /// Peukert exponent.
    pub peukert_exponent: f64,
    /// Share of the capacity that may be used.
    pub usable_fraction: f64,
    /// Temperature, degrees Celsius; `None` for the rating's.
    pub temperature_c: Option<f64>,
}
