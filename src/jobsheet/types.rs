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
    /// Limits on sleep behaviour.
    pub sleep: Option<SleepLimits>,
    /// The solar panel.
    pub solar: Option<SolarSpec>,
    /// What was complained of.
    pub complaint: Option<Complaint>,
}

impl JobSheet {
    /// The load of that name, letter case and surrounding space aside.
    pub fn load(&self, name: &str) -> Option<&LoadSpec> {
        self.loads.iter().find(|load| same_name(&load.name, name))
    }
}

impl LoadSpec {
    /// The state of that name, letter case and surrounding space aside.
    pub fn state(&self, name: &str) -> Option<&StateSpec> {
        self.states.iter().find(|state| same_name(&state.name, name))
    }
}

/// True for names that differ at most in letter case and in space.
pub fn same_name(a: &str, b: &str) -> bool {
    let words = |text: &str| text.split_whitespace().map(str::to_lowercase).collect::<Vec<_>>();
    words(a) == words(b)
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
    /// Peukert exponent, 1 to 2.
    pub peukert_exponent: f64,
    /// Share of the capacity that may be used.
    pub usable_fraction: f64,
    /// Temperature, degrees Celsius; `None` for the rating's.
    pub temperature_c: Option<f64>,
    /// Sizing factor for temperature, which the capacity is divided by; overrules the table.
    pub temperature_factor: Option<f64>,
    /// Sizing factor for age, which the capacity is divided by; 1.25 leaves 80 %.
    pub ageing_factor: Option<f64>,
    /// Self-discharge, percent of the capacity a month.
    pub self_discharge_percent_per_month: Option<f64>,
    /// Age, years.
    pub age_years: Option<f64>,
    /// Charge given back for charge put in, 0 to 1.
    pub charging_efficiency: Option<f64>,
    /// A second rating from the data sheet, which [`Self::peukert_exponent`] was found from.
    pub second_rating: Option<Rating>,
    /// Which of the figures above the sheet did not give.
    pub assumed: AssumedOfBattery,
}

impl BatterySpec {
    /// A battery of which only the capacity is known.
    ///
    /// The rating is taken at 20 h, the usual one for the lead-acid batteries of such sites (common
    /// practice). The Peukert exponent is taken as 1 and the usable share as 1: no correction is
    /// made that nobody asked for.
    pub fn of_capacity(capacity_ah: f64) -> Self {
        Self {
            capacity_ah,
            rated_hours: 20.0,
            peukert_exponent: 1.0,
            usable_fraction: 1.0,
            temperature_c: None,
            temperature_factor: None,
            ageing_factor: None,
            self_discharge_percent_per_month: None,
            age_years: None,
            charging_efficiency: None,
            second_rating: None,
            assumed: AssumedOfBattery {
                rated_hours: true,
                peukert_exponent: true,
                usable_fraction: true,
            },
        }
    }
}

/// Capacity at one rate of discharge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rating {
    /// Capacity, ampere-hours.
    pub capacity_ah: f64,
    /// Hours in which it is drawn.
    pub hours: f64,
}

impl Rating {
    /// Peukert's exponent through two ratings,
    /// `k = ln(t₂/t₁) / ln(I₁/I₂)` with `I = C/t`: the slope of `t = H (C/(I·H))ᵏ`.
    ///
    /// Not finite for two ratings of the same current. O(1).
    pub fn peukert_exponent_with(self, other: Self) -> f64 {
        let amperes = |rating: Self| rating.capacity_ah / rating.hours;
        (other.hours / self.hours).ln() / (amperes(self) / amperes(other)).ln()
    }
}

/// Figures of a battery that the sheet did not give: true where [`BatterySpec::of_capacity`]'s
/// value stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct AssumedOfBattery {
    /// The hours of the rating.
    pub rated_hours: bool,
    /// The Peukert exponent.
    pub peukert_exponent: bool,
    /// The usable share.
    pub usable_fraction: bool,
}

/// Limits on sleep behaviour.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SleepLimits {
    /// Largest allowed sleep floor, ampere.
    pub sleep_max_a: Option<f64>,
    /// Longest allowed time from the last activity to sleep, seconds.
    pub sleep_within_s: Option<f64>,
    /// Largest allowed charge of one wake above the floor, ampere-hours.
    pub wake_charge_max_ah: Option<f64>,
    /// Largest allowed share of time not asleep, 0 to 1.
    pub awake_share_max: Option<f64>,
}

/// The solar panel.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SolarSpec {
    /// Rated power, watt.
    pub panel_w: Option<f64>,
    /// Charge it brings a day, ampere-hours.
    pub harvest_ah_per_day: Option<f64>,
    /// Hours a day of full sun (1 kW/m²) that the season gives.
    pub sun_hours_per_day: Option<f64>,
}

/// What was complained of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Complaint {
    /// How long the battery lasted, days.
    pub lasted_days: f64,
}
