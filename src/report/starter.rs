//! An event list and a job sheet to fill in.
//!
//! The event list already holds a line for every step found; what was switched is left to the
//! person who was there. Both files say, read as they stand, which line waits to be filled in.

use jiff::civil::DateTime;

use crate::capture::Capture;
use crate::segment::{Segmentation, Step};

use super::words::{self, printable};
use super::write::Bundle;

/// `events.csv` and `jobsheet.toml`; neither replaces a file that exists.
pub fn bundle(capture: &Capture, segmentation: &Segmentation) -> Bundle {
    let mut bundle = Bundle::keeping_existing();
    bundle.add("events.csv", events(capture, segmentation).into_bytes());
    bundle.add("jobsheet.toml", jobsheet(capture).into_bytes());
    bundle
}

/// The event list: a line a step, its time as a date-time or time of day when the capture has one, else in
/// seconds from the start; `load` is left empty.
pub fn events(capture: &Capture, segmentation: &Segmentation) -> String {
    let file = printable(&capture.file);
    let steps = words::count(segmentation.steps.len() as u64, "step", "steps");
    let mut text = format!(
        "# Event list for {file}: {steps} found.\n\
         # Fill in `load` on every line with the name that the job sheet gives it, and correct\n\
         # `state`: on, off, or a name of yours (boot, standby, transmit).\n\
         # Delete lines that nothing you did brought about; they are then reported as unexplained.\n\
         # Add a line `TIME,zero,,` for each moment at which nothing was powered: without one the\n\
         # meter's zero cannot be checked. Your clock may differ from the meter's: that is found.\n\
         time,load,state,note\n"
    );
    // A clamp put on the other way round shows a load that comes on as a fall.
    let turned = mean(&capture.samples.current_a) < 0.0;
    let decimals = decimals(capture.sampling.interval_s);
    let unit = 10f64.powi(decimals as i32);
    for step in &segmentation.steps {
        let time_s = (step.time_s * unit).round() / unit;
        let of_day = || {
            let start = DateTime::constant(2000, 1, 1, 0, 0, 0, 0).date();
            let time = moment(start.to_datetime(capture.time_of_day?), time_s, decimals)?;
            time.split_once(' ').map(|(_, time)| time.to_owned())
        };
        let time = capture
            .start
            .and_then(|start| moment(start, time_s, decimals))
            .or_else(of_day)
            .unwrap_or_else(|| format!("{time_s:.decimals$}"));
        let more = (step.delta_a > 0.0) != turned;
        let state = if more { "on" } else { "off" };
        text.push_str(&format!("{time},,{state},{}\n", note(step)));
    }
    text
}

fn note(step: &Step) -> String {
    format!("step of {}", words::signed_current(step.delta_a))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn decimals(interval_s: Option<f64>) -> usize {
    match interval_s {
        Some(interval_s) if interval_s > 0.0 && interval_s < 0.999 => {
            (-interval_s.log10()).ceil().clamp(1.0, 6.0) as usize
        }
        _ => 0,
    }
}

fn moment(start: DateTime, time_s: f64, decimals: usize) -> Option<String> {
    let span = jiff::SignedDuration::try_from_secs_f64(time_s).ok()?;
    let form = match decimals {
        0 => "%Y-%m-%d %H:%M:%S".to_owned(),
        n => format!("%Y-%m-%d %H:%M:%S%.{n}f"),
    };
    Some(start.checked_add(span).ok()?.strftime(&form).to_string())
}

/// The job sheet, with a word on every key. An empty name is refused when it is read, so an
/// untouched sheet points at the first line to fill in.
pub fn jobsheet(capture: &Capture) -> String {
    let resolution = match capture.resolution_a {
        Some(resolution_a) => format!("# found in the capture: {resolution_a:?}"),
        None => "# none shows in the capture".to_owned(),
    };
    format!(
        r#"# Job sheet for {file}. Fill in what you know, delete what you do not.

[site]
name = ""                            # the site, as the customer calls it
supply_voltage_v = 12.0              # measured at the battery, volt

[meter]                              # from the meter's data sheet, for the range that was used
accuracy_percent_of_reading = 2.0
accuracy_counts = 5
# resolution_a = 0.001               {resolution}
# zero_return_tolerance_a = 0.010    # how near to zero it must come back, ampere

# One [[load]] for each thing in the event list, under the name used there.
[[load]]
name = ""                            # such as "telemetry radio"
behaves_as = "constant-power"        # switching supply; or "constant-current" (linear
                                     # regulator), "resistive" (heater)
  [[load.state]]
  name = "standby"                   # "on" in the event list means the first state
  # specified_a = 0.040              # typical current of the data sheet, ampere
  # tolerance_percent = 20           # allowed beyond that
  # maximum_a = 0.050                # or a limit; minimum_a likewise
  # at_voltage_v = 24.0              # voltage of the data sheet's figures
  # hours_per_day = 24.0             # for the battery's budget

# [battery]
# capacity_ah = 18.0                 # rated capacity, ampere-hours
# rated_hours = 20.0                 # hours of that rating
# peukert_exponent = 1.15
# usable_fraction = 0.5              # what may be drawn without harm
# temperature_c = 10.0

# [solar]
# panel_w = 20.0                     # rated power of the panel, watt
# sun_hours_per_day = 1.5            # hours of full sun on a poor day

# [sleep]                            # limits on sleep, where something must sleep
# sleep_max_a = 0.0015               # sleep floor, ampere
# sleep_within_s = 40.0              # from the last activity
# wake_charge_max_ah = 0.000006      # charge of one wake
# awake_share_max = 0.10             # share of the time not asleep

# [complaint]
# lasted_days = 3.0                  # how long the battery lasted
"#,
        file = printable(&capture.file),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Samples, Sampling, TimeAxis};
    use crate::segment::NoiseModel;

    fn capture(start: Option<DateTime>, interval_s: f64, level_a: f64) -> Capture {
        Capture {
            file: "visit.csv".into(),
            samples: Samples {
                time: TimeAxis::Uniform { interval_s, len: 100 },
                current_a: vec![level_a; 100],
            },
            start,
            utc_offset: None,
            time_of_day: None,
            current_column: "I".into(),
            unit: "mA".into(),
            resolution_a: Some(0.001),
            sampling: Sampling { interval_s: Some(interval_s), ..Sampling::default() },
            overload: vec![],
            missing: 0,
            unreadable_rows: 0,
            decisions: vec![],
            first_rows: vec![],
            cautions: vec![],
        }
    }

    fn steps(deltas: &[(f64, f64)]) -> Segmentation {
        Segmentation {
            noise: NoiseModel {
                sigma_a: 1e-3,
                phi: 0.0,
                floor_a: 1e-3,
                by_level: vec![],
                spikes: vec![],
            },
            segments: vec![],
            steps: deltas
                .iter()
                .map(|&(time_s, delta_a)| Step {
                    index: 0,
                    time_s,
                    time_low_s: time_s,
                    time_high_s: time_s,
                    delta_a,
                    standard_uncertainty_a: 1e-3,
                    score: 1.0,
                })
                .collect(),
            states: vec![],
            held: None,
        }
    }

    fn lines(text: &str) -> Vec<&str> {
        text.lines().filter(|line| !line.starts_with('#')).collect()
    }

    #[test]
    fn every_step_has_a_line_with_its_time() {
        let found = steps(&[(31.0, 0.214), (90.5, -0.214)]);
        let start = "2026-11-24T23:59:00".parse().ok();
        let text = events(&capture(start, 0.5, 0.1), &found);
        assert_eq!(
            lines(&text),
            [
                "time,load,state,note",
                "2026-11-24 23:59:31.0,,on,step of +214 mA",
                "2026-11-25 00:00:30.5,,off,step of -214 mA",
            ]
        );
        let text = events(&capture(None, 1.0, -0.1), &found);
        assert_eq!(lines(&text)[1..], ["31,,off,step of +214 mA", "91,,on,step of -214 mA"]);
    }

    #[test]
    fn the_job_sheet_waits_for_its_names_and_reads_once_they_are_there() {
        let sheet = jobsheet(&capture(None, 1.0, 0.1));
        let fault = crate::jobsheet::parse("jobsheet.toml", &sheet).unwrap_err();
        assert!(fault.found.contains("name of the site is empty"), "{fault}");
        let filled = sheet.replace("name = \"\" ", "name = \"pump\" ");
        assert_eq!(crate::jobsheet::parse("jobsheet.toml", &filled).unwrap().loads.len(), 1);
        // Every key offered as a comment is one that the reader knows.
        let offers = |line: &str| line.starts_with('[') || line.split(' ').nth(1) == Some("=");
        let offered: String = filled
            .lines()
            .map(|line| match line.trim_start().strip_prefix("# ") {
                Some(rest) if offers(rest) => format!("{rest}\n"),
                _ => format!("{line}\n"),
            })
            .collect();
        let sheet = crate::jobsheet::parse("jobsheet.toml", &offered).unwrap();
        assert_eq!(sheet.battery.unwrap().capacity_ah, 18.0);
        assert_eq!(sheet.complaint.unwrap().lasted_days, 3.0);
        assert_eq!(sheet.sleep.unwrap().awake_share_max, Some(0.1));
        assert_eq!(sheet.solar.unwrap().panel_w, Some(20.0));
        assert_eq!(sheet.meter.unwrap().zero_return_tolerance_a, Some(0.01));
        assert_eq!(sheet.loads[0].states[0].hours_per_day, Some(24.0));
    }
}
