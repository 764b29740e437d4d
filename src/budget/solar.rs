//! What the sun brings against what the site draws.

use super::capacity::{CHARGING_EFFICIENCY, SHEET, SoundBattery, factor, given};
use crate::findings::{Factor, SolarBalance};
use crate::jobsheet::JobSheet;

/// A panel's voltage at full power over the battery's nominal voltage: 36 cells, about 18 V, for
/// 12 V (common practice, no source). A series regulator passes the panel's current on, so the
/// harvest is watt-hours over this voltage; a converting regulator harvests more.
const PANEL_OVER_NOMINAL_VOLTAGE: f64 = 1.5;

/// `None` without a panel in the job sheet.
///
/// Break-even harvest `(Q + Q_self)/η`: the day's draw and self-discharge, over the charging
/// efficiency. Full-sun hours `h` and power `P` bring `P·h/(1.5·V)` ampere-hours.
pub(super) fn balance(
    sheet: &JobSheet,
    battery: Option<&SoundBattery>,
    ah_per_day: f64,
) -> Option<SolarBalance> {
    let solar = sheet.solar?;
    let efficiency = battery.map_or(CHARGING_EFFICIENCY, SoundBattery::charging_efficiency);
    let self_discharge_ah = battery.map_or(0.0, |battery| battery.self_discharge_a() * 24.0);
    let break_even_ah = (ah_per_day + self_discharge_ah).max(0.0) / efficiency;
    let ah_per_sun_hour = solar
        .panel_w
        .zip(sheet.site.supply_voltage_v)
        .map(|(watt, volt)| watt / (PANEL_OVER_NOMINAL_VOLTAGE * volt));
    let harvest_ah =
        solar.harvest_ah_per_day.or_else(|| Some(ah_per_sun_hour? * solar.sun_hours_per_day?));
    Some(SolarBalance {
        break_even_harvest_ah_per_day: break_even_ah,
        break_even_sun_hours_per_day: ah_per_sun_hour.map(|per_hour| break_even_ah / per_hour),
        harvest_ah_per_day: harvest_ah,
        balance_ah_per_day: harvest_ah
            .map(|harvest_ah| harvest_ah * efficiency - ah_per_day - self_discharge_ah),
        runtime_h: harvest_ah.and_then(|harvest_ah| {
            battery?.runtime_h(ah_per_day / 24.0, harvest_ah * efficiency / 24.0)
        }),
    })
}

/// What the balance rests on.
pub(super) fn factors(sheet: &JobSheet, battery: Option<&SoundBattery>) -> Vec<Factor> {
    let Some(solar) = sheet.solar else { return Vec::new() };
    let efficiency = battery.map_or(CHARGING_EFFICIENCY, SoundBattery::charging_efficiency);
    let mut all = vec![factor(
        "charging efficiency",
        efficiency,
        None,
        given(
            sheet.battery.is_some_and(|battery| battery.charging_efficiency.is_some()),
            "assumed: lead-acid gives back 85 % to 95 % (common practice)",
        ),
    )];
    if let Some(watt) = solar.panel_w {
        all.push(factor("panel power", watt, Some("W"), SHEET));
    }
    if let (Some(_), Some(volt)) = (solar.panel_w, sheet.site.supply_voltage_v) {
        all.push(factor(
            "panel voltage at full power",
            PANEL_OVER_NOMINAL_VOLTAGE * volt,
            Some("V"),
            "assumed: 36 cells for 12 V behind a series regulator (common practice)",
        ));
    }
    if let Some(hours) = solar.sun_hours_per_day {
        all.push(factor("hours of full sun a day", hours, Some("h"), SHEET));
    }
    if let Some(harvest_ah) = solar.harvest_ah_per_day {
        all.push(factor("harvest a day", harvest_ah, Some("Ah"), SHEET));
    }
    all
}
