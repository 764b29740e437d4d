//! Puts the rooms together: rows and lines to a design matrix, its solution to draws.

use nalgebra::DVector;

use super::phases::{self, Phases, Row};
use super::solve::{Column, Design, Fit};
use super::timeline::Timeline;
use super::uncertainty::{self, Meter};
use super::wander::Rows;
use super::zero::{self, Circumstances, Tolerance};
use super::{LoadEstimate, LoadsFound, MeterSpec, ZeroModel};
use super::{cautions, names};
use crate::jobsheet::{JobSheet, same_name};
use crate::segment::Segmentation;

/// Everything that the solution starts from.
pub(super) struct Attribution<'a> {
    pub(super) segmentation: &'a Segmentation,
    pub(super) sheet: &'a JobSheet,
    pub(super) meter: Meter,
    pub(super) spec: MeterSpec,
    pub(super) sign: f64,
    pub(super) rows: Vec<Row>,
    pub(super) timeline: Timeline,
    pub(super) by_level: bool,
}

/// A load and state that is solved for.
#[derive(Debug, Clone, PartialEq)]
struct Named {
    load: usize,
    state: String,
}

impl Attribution<'_> {
    pub(super) fn solve(mut self) -> LoadsFound {
        let count = self.segmentation.segments.len();
        let empty = |zero| LoadsFound {
            zero,
            loads: Vec::new(),
            base_a: None,
            accounted_a: vec![None; count],
            on: vec![Vec::new(); count],
            turned: false,
            cautions: Vec::new(),
        };
        let tolerance = self.tolerance();
        let missed_s = zero::mark_listed(&mut self.rows, &self.timeline, tolerance);
        let listed = self.rows.iter().any(|row| row.zero);
        if !listed {
            zero::mark_found(&mut self.rows, &self.timeline, tolerance);
        }
        let tolerance = tolerance.of_checks(&self.rows);
        self.timeline.switch_off_at_zero_checks(&self.rows);
        let segments = &self.segmentation.segments;
        let circumstances = |rows| Circumstances {
            rows,
            listed,
            missed_s: &missed_s,
            tolerance,
            meter: self.meter,
            sign: self.sign,
            start_s: segments.first().map_or(0.0, |s| s.start_s),
            end_s: segments.last().map_or(0.0, |s| s.end_s),
        };
        if self.rows.is_empty() {
            return empty(ZeroModel {
                answer: "Not shown: no stretch of the capture is steady.".to_owned(),
                ..ZeroModel::default()
            });
        }
        if self.timeline.loads.is_empty() && self.rows.iter().all(|row| !row.zero) {
            // No load is listed and no zero was checked: there is nothing to solve for.
            return empty(zero::without_check(&circumstances(&self.rows)));
        }

        let phases = self.phases();
        let wakes = match self.by_level {
            true => vec![0; phases.phases.len()],
            false => names::wakes(&phases, &self.rows, self.segmentation, self.sign),
        };
        let nothing_a = self.by_level.then_some(self.meter.counts_a + self.meter.resolution_a);
        let phase_names =
            names::name(&phases.phases, &wakes, &self.timeline, self.sheet, nothing_a);
        let (named, of_phase) = gather(&phases, &phase_names);
        let fit_rows: Vec<usize> =
            (0..self.rows.len()).filter(|k| phases.set_aside.binary_search(k).is_err()).collect();
        let design = self.design(&phases, &named, &of_phase, &fit_rows);
        let prior_a = self.spec.zero_return_tolerance_a.map(|a| a / 3.0);
        let fit = design.solve(prior_a);

        let zero = zero::model(&circumstances(&self.rows), &fit, &fit_rows);
        let (kept, loads): (Vec<usize>, Vec<LoadEstimate>) =
            self.estimates(&fit, &fit_rows, &named).into_iter().unzip();
        let on = self.on(&phases, &of_phase);
        let base_a = fit.column(Column::Base).map(|j| fit.beta[j]).or_else(|| {
            let never = self.timeline.loads.is_empty() || zero.offset_a.is_some();
            let seen = self.rows.iter().any(|row| self.all_off(row) && !row.zero);
            (!never && seen).then(|| fit.column(Column::Offset).map(|j| fit.beta[j])).flatten()
        });
        let accounted_a = self.accounted(&fit, &fit_rows, &zero, &on);
        let cautions = cautions::told(&loads);
        // What no fitted stretch tells of has no row: its time is nobody's.
        let row_of = |named: usize| kept.binary_search(&named).ok();
        let on = on.iter().map(|on| on.iter().copied().filter_map(row_of).collect()).collect();
        LoadsFound { zero, loads, base_a, accounted_a, on, turned: false, cautions }
    }

    fn tolerance(&self) -> Tolerance {
        Tolerance::new(self.spec.zero_return_tolerance_a, &self.rows, self.meter.resolution_a)
    }

    fn all_off(&self, row: &Row) -> bool {
        row.zero || self.timeline.all_off(row.start_s, row.end_s)
    }

    fn phases(&self) -> Phases {
        if self.by_level {
            return self.phases_by_level();
        }
        let specified: Vec<Vec<f64>> = self
            .timeline
            .loads
            .iter()
            .map(|load| {
                let spec = load.spec.map(|spec| &self.sheet.loads[spec]);
                spec.map_or_else(Vec::new, |spec| {
                    spec.states
                        .iter()
                        .filter_map(|state| names::expected_a(spec, state, self.sheet))
                        .collect()
                })
            })
            .collect();
        phases::find(&self.rows, &self.timeline, &specified, self.meter.resolution_a)
    }

    /// Every level of a capture of one unit is a phase of that unit.
    fn phases_by_level(&self) -> Phases {
        let segments = &self.segmentation.segments;
        let mut levels: Vec<usize> =
            self.rows.iter().filter_map(|row| segments[row.segment].state).collect();
        levels.sort_unstable();
        levels.dedup();
        let phase_of = |row: &Row| {
            segments[row.segment].state.and_then(|state| levels.binary_search(&state).ok())
        };
        let phases = levels
            .iter()
            .map(|&level| phases::Phase {
                load: 0,
                state: 0,
                draw_a: Some(self.sign * self.segmentation.states[level].mean_a),
                order: 0.0,
                length_s: self.segmentation.states[level].time_s,
            })
            .collect();
        let of_row: Vec<Vec<Option<usize>>> =
            self.rows.iter().map(|row| vec![phase_of(row)]).collect();
        let set_aside = (0..self.rows.len()).filter(|&k| of_row[k][0].is_none()).collect();
        Phases { phases, of_row, unlisted: Vec::new(), set_aside }
    }

    fn design(
        &self,
        phases: &Phases,
        named: &[Named],
        of_phase: &[usize],
        fit_rows: &[usize],
    ) -> Design {
        let mut rows = Rows::default();
        let mut level_a = Vec::new();
        for &k in fit_rows {
            let row = &self.rows[k];
            let rounding = row.rounding_a;
            rows.start_s.push(row.start_s);
            rows.end_s.push(row.end_s);
            rows.noise_a2.push((row.u_a.powi(2) - rounding.powi(2)).max(0.0));
            rows.rounding_a2.push(rounding.powi(2));
            level_a.push(row.level_a);
        }
        floor_variances(&mut rows, &level_a);
        let n = fit_rows.len();
        let mut design = Design { rows, level_a, x: Vec::new(), columns: Vec::new() };
        let checked = fit_rows.iter().any(|&k| self.rows[k].zero);
        // One unit and no check: its level is the reading, and the zero its uncertainty.
        if !self.by_level {
            design.columns.push(Column::Offset);
            design.x.push(vec![1.0; n]);
            // Drift and bow show where nothing is on, early and late and between: what a load does
            // meanwhile, such as staying awake, must not pass for the meter's.
            let is_bare = |k: &&usize| self.rows[**k].zero || self.all_off(&self.rows[**k]);
            let bare = fit_rows.iter().filter(is_bare).count();
            if n > 2 && bare > 1 {
                design.columns.push(Column::Drift);
                design.x.push((0..n).map(|k| design.rows.middle_s(k)).collect());
            }
            if n > 4 && bare > 2 {
                design.columns.push(Column::Bow);
                design.x.push((0..n).map(|k| design.rows.bow(design.rows.middle_s(k))).collect());
            }
            // What moves while listed checks stand still is no zero: two of them tell the two apart.
            let zeros = fit_rows.iter().filter(|&&k| self.rows[k].zero).count();
            if !self.timeline.zeros.is_empty() && zeros > 1 && n - zeros > 2 {
                let centre_s = self.powered_centre_s(fit_rows);
                let about = |k: usize| {
                    let zero = self.rows[fit_rows[k]].zero;
                    if zero { 0.0 } else { design.rows.middle_s(k) - centre_s }
                };
                let column = (0..n).map(about).collect();
                design.columns.push(Column::Creep);
                design.x.push(column);
            }
        }
        // Zeros that only the readings show are no interruption: what is left on beside them is a base
        // where it is there throughout, and unlisted draw where it comes and goes.
        let found = checked && !self.rows.iter().any(|row| row.interrupted);
        let throughout = |covered: &Vec<usize>| {
            found && fit_rows.iter().all(|k| self.rows[*k].zero || covered.binary_search(k).is_ok())
        };
        let passing = |k: usize| {
            found && phases.unlisted.iter().any(|covered| covered.binary_search(&k).is_ok())
        };
        let bare = |k: usize| !self.rows[k].zero && self.all_off(&self.rows[k]) && !passing(k);
        let based =
            checked && fit_rows.iter().any(|&k| bare(k)) || phases.unlisted.iter().any(throughout);
        if based {
            design.columns.push(Column::Base);
            design.x.push(
                fit_rows.iter().map(|&k| if self.rows[k].zero { 0.0 } else { 1.0 }).collect(),
            );
        }
        for (at, _) in named.iter().enumerate() {
            let column = fit_rows.iter().map(|&k| self.share(k, at, phases, of_phase)).collect();
            design.columns.push(Column::Load(at));
            design.x.push(column);
        }
        for covered in phases.unlisted.iter().filter(|covered| !throughout(covered)) {
            design.columns.push(Column::Unlisted);
            design.x.push(
                fit_rows
                    .iter()
                    .map(|k| if covered.binary_search(k).is_ok() { 1.0 } else { 0.0 })
                    .collect(),
            );
        }
        design
    }

    /// Middle of the time in which something is powered, seconds.
    fn powered_centre_s(&self, fit_rows: &[usize]) -> f64 {
        let powered = || fit_rows.iter().map(|&k| &self.rows[k]).filter(|row| !row.zero);
        let length_s = |row: &Row| row.end_s - row.start_s;
        let weighted: f64 =
            powered().map(|row| 0.5 * (row.start_s + row.end_s) * length_s(row)).sum();
        weighted / powered().map(length_s).sum::<f64>().max(f64::MIN_POSITIVE)
    }

    /// Share of row `k` that a load and state was on for.
    fn share(&self, k: usize, named: usize, phases: &Phases, of_phase: &[usize]) -> f64 {
        let row = &self.rows[k];
        if row.zero {
            return 0.0;
        }
        self.timeline
            .loads
            .iter()
            .enumerate()
            .map(|(load, lines)| {
                let shares = lines.shares(row.start_s, row.end_s);
                (0..shares.len())
                    .filter(|&state| shares[state] > 0.0)
                    .map(|state| {
                        let here = phases.of_row[k][load]
                            .filter(|&phase| phases.phases[phase].state == state);
                        let phase = here.or_else(|| {
                            phases.phases.iter().position(|p| p.load == load && p.state == state)
                        });
                        match phase {
                            Some(phase) if of_phase[phase] == named => shares[state],
                            _ => 0.0,
                        }
                    })
                    .sum::<f64>()
            })
            .sum()
    }

    fn estimates(
        &self,
        fit: &Fit,
        fit_rows: &[usize],
        named: &[Named],
    ) -> Vec<(usize, LoadEstimate)> {
        let patterns = patterns(&fit.design);
        named
            .iter()
            .enumerate()
            .filter_map(|(at, this)| {
                let j = fit.column(Column::Load(at))?;
                fit.design.x[j].iter().any(|x| *x != 0.0).then_some(())?;
                let alone = fit.unit(j);
                let separable = fit.normal.estimable(&alone);
                let (a, partners) =
                    if separable { (alone, Vec::new()) } else { self.sum_of(fit, j) };
                let draw_a = a.dot(&fit.beta);
                let mut combined = uncertainty::of_draw(fit, &a, draw_a, &patterns, &self.meter);
                if self.by_level {
                    combined = self.with_unseen_zero(combined);
                }
                let name = |column: usize| match fit.design.columns[column] {
                    Column::Load(other) => Some((
                        self.timeline.loads[named[other].load].name.clone(),
                        named[other].state.clone(),
                    )),
                    Column::Base | Column::Offset => Some((
                        "everything else on the lead".to_owned(),
                        "never switched off".to_owned(),
                    )),
                    Column::Drift | Column::Bow | Column::Creep | Column::Unlisted => None,
                };
                Some((
                    at,
                    LoadEstimate {
                        load: self.timeline.loads[this.load].name.clone(),
                        state: this.state.clone(),
                        draw_a,
                        standard_uncertainty_a: combined.standard_uncertainty_a,
                        degrees_of_freedom: combined.degrees_of_freedom,
                        coverage_factor: combined.coverage_factor,
                        observations: fit.design.x[j].iter().filter(|x| **x > 0.5).count() as u64,
                        repeats_a: self.repeats(fit, fit_rows, j, draw_a),
                        separable,
                        inseparable_from: partners.into_iter().filter_map(name).collect(),
                        uncertainty_budget: combined.items,
                    },
                ))
            })
            .collect()
    }

    /// Without a zero check the level of an untouched unit is off by the zero that nobody saw.
    fn with_unseen_zero(&self, combined: uncertainty::Combined) -> uncertainty::Combined {
        let tolerance = self.tolerance();
        if !tolerance.given {
            return combined;
        }
        let mut items = combined.items;
        items.push(crate::findings::UncertaintyItem {
            source: "zero, not checked: taken within its tolerance".to_owned(),
            evaluation: crate::findings::EvaluationType::B,
            distribution: "rectangular".to_owned(),
            standard_uncertainty_a: crate::numeric::rectangular(tolerance.half_width_a),
            degrees_of_freedom: None,
            share: 0.0,
            common_to: crate::findings::CommonTo::Capture,
        });
        uncertainty::combine(items)
    }

    /// The smallest observed combination with column `j` that the rows do tell, and the others in it.
    fn sum_of(&self, fit: &Fit, j: usize) -> (DVector<f64>, Vec<usize>) {
        let confused = fit.normal.confused_with(j);
        let design = &fit.design;
        let mut best: Option<Vec<usize>> = None;
        for k in 0..design.len() {
            if design.x[j][k] < 0.5 {
                continue;
            }
            let set: Vec<usize> = confused
                .iter()
                .copied()
                .filter(|&i| !of_time(design.columns[i]) && design.x[i][k] > 0.5)
                .collect();
            let a = indicator(&set, fit.beta.len());
            if best.as_ref().is_none_or(|b| set.len() < b.len()) && fit.normal.estimable(&a) {
                best = Some(set);
            }
        }
        let set = best.unwrap_or(confused);
        (indicator(&set, fit.beta.len()), set.into_iter().filter(|&i| i != j).collect())
    }

    /// Draws of the separate switchings: the mean residual of each stay against its neighbours'.
    fn repeats(&self, fit: &Fit, fit_rows: &[usize], j: usize, draw_a: f64) -> Vec<f64> {
        let residuals = fit.residuals_a();
        let x = &fit.design.x[j];
        let n = fit_rows.len();
        let mut repeats = Vec::new();
        let mut k = 0;
        while k < n {
            if x[k] < 0.5 {
                k += 1;
                continue;
            }
            let from = k;
            while k < n && x[k] >= 0.5 {
                k += 1;
            }
            let mean = residuals[from..k].iter().sum::<f64>() / (k - from) as f64;
            let sides: Vec<f64> = [from.checked_sub(1), (k < n).then_some(k)]
                .into_iter()
                .flatten()
                .map(|i| residuals[i])
                .collect();
            let beside =
                if sides.is_empty() { 0.0 } else { sides.iter().sum::<f64>() / sides.len() as f64 };
            repeats.push(draw_a + mean - beside);
        }
        repeats
    }

    fn on(&self, phases: &Phases, of_phase: &[usize]) -> Vec<Vec<usize>> {
        let loads = self.timeline.loads.len();
        self.segmentation
            .segments
            .iter()
            .enumerate()
            .map(|(index, segment)| {
                let middle_s = 0.5 * (segment.start_s + segment.end_s);
                let after = self.rows.partition_point(|row| row.segment < index);
                let here = self.rows.get(after).filter(|row| row.segment == index);
                if here.is_some_and(|row| row.zero) {
                    return Vec::new();
                }
                (0..loads)
                    .filter_map(|load| {
                        let state = self.timeline.loads[load].state_at(middle_s)?;
                        let of = |k: usize| {
                            phases
                                .of_row
                                .get(k)
                                .and_then(|phases_of| phases_of[load])
                                .filter(|&phase| phases.phases[phase].state == state)
                        };
                        let nearest = if here.is_some() {
                            of(after)
                        } else {
                            after.checked_sub(1).and_then(of).or_else(|| of(after))
                        };
                        let any = || {
                            phases.phases.iter().position(|p| p.load == load && p.state == state)
                        };
                        nearest.or_else(any).map(|phase| of_phase[phase])
                    })
                    .collect()
            })
            .collect()
    }

    fn accounted(
        &self,
        fit: &Fit,
        fit_rows: &[usize],
        zero: &ZeroModel,
        on: &[Vec<usize>],
    ) -> Vec<Option<f64>> {
        if self.timeline.loads.is_empty() {
            return vec![None; on.len()];
        }
        let coefficient = |what| fit.column(what).map(|j| fit.beta[j]);
        // Without a check the offset is what the lead always carries.
        let always = if zero.offset_a.is_some() { None } else { coefficient(Column::Offset) };
        let base = coefficient(Column::Base);
        let creep = coefficient(Column::Creep);
        let centre_s = self.powered_centre_s(fit_rows);
        let segments = &self.segmentation.segments;
        on.iter()
            .zip(segments)
            .enumerate()
            .map(|(index, (loads, segment))| {
                let zero_row = self.rows.iter().any(|row| row.segment == index && row.zero);
                if zero_row {
                    return Some(0.0);
                }
                let sum: f64 = loads.iter().filter_map(|&at| coefficient(Column::Load(at))).sum();
                let middle_s = 0.5 * (segment.start_s + segment.end_s);
                let crept_a = creep.map_or(0.0, |creep| creep * (middle_s - centre_s));
                Some(sum + always.unwrap_or(0.0) + base.unwrap_or(0.0) + crept_a)
            })
            .collect()
    }
}

fn indicator(set: &[usize], p: usize) -> DVector<f64> {
    DVector::from_fn(p, |i, _| if set.contains(&i) { 1.0 } else { 0.0 })
}

/// Phases of one load with one name are one state.
fn gather(phases: &Phases, phase_names: &[String]) -> (Vec<Named>, Vec<usize>) {
    let mut first_row: Vec<usize> = vec![usize::MAX; phases.phases.len()];
    for (k, row) in phases.of_row.iter().enumerate() {
        for phase in row.iter().flatten() {
            first_row[*phase] = first_row[*phase].min(k);
        }
    }
    let mut order: Vec<usize> = (0..phases.phases.len()).collect();
    order.sort_by_key(|&i| (first_row[i], phases.phases[i].load));
    let mut named: Vec<Named> = Vec::new();
    let mut of_phase = vec![0; phases.phases.len()];
    for i in order {
        let this = Named { load: phases.phases[i].load, state: phase_names[i].clone() };
        let at = named
            .iter()
            .position(|known| known.load == this.load && same_name(&known.state, &this.state))
            .unwrap_or_else(|| {
                named.push(this);
                named.len() - 1
            });
        of_phase[i] = at;
    }
    (named, of_phase)
}

fn of_time(column: Column) -> bool {
    matches!(column, Column::Drift | Column::Bow | Column::Creep)
}

/// Rows with equal design but for drift, bow and creep show one level.
fn patterns(design: &Design) -> Vec<usize> {
    let mut known: Vec<Vec<f64>> = Vec::new();
    (0..design.len())
        .map(|k| {
            let row: Vec<f64> = design
                .columns
                .iter()
                .zip(&design.x)
                .filter(|(column, _)| !of_time(**column))
                .map(|(_, x)| x[k])
                .collect();
            known.iter().position(|other| *other == row).unwrap_or_else(|| {
                known.push(row);
                known.len() - 1
            })
        })
        .collect()
}

/// Readings without any noise would weigh infinitely: the finest difference that f64 and the data
/// carry stands in.
pub(super) fn floor_variances(rows: &mut Rows, level_a: &[f64]) {
    let size = level_a.iter().map(|a| a.abs()).fold(0.0, f64::max);
    let floor_a2 = if size > 0.0 { (1e-9 * size).powi(2) } else { 1.0 };
    for k in 0..rows.len() {
        if rows.independent_a2(k, 1.0) < floor_a2 {
            rows.noise_a2[k] = floor_a2;
        }
    }
}
