//! Is there a sharp jump here? A generalised least-squares test in a local window.
//!
//! Model of the readings in a window round a place `c`: a smooth background, a jump `J` from `c` on,
//! and AR(1) noise whose σ may differ between the sides. Readings and regressors are divided by
//! their side's σ and whitened, `w_i = (v_i − ρ v_{i−1}) / √(1 − ρ²)`. Long windows are pooled into
//! block means, whose variance and correlation follow from φ.
//! The background is a constant, a line, a parabola, or an exponential that decays from the
//! window's first reading (a load settling after the step before); each further term of a polynomial
//! costs [`TERM_COST`], more once the usual slope is known, a decay [`DECAY_COST`]. The evidence for the jump is the fall in penalised deviance
//! `min over backgrounds without J − min over backgrounds with J`. A line that only mimics a jump, or
//! a jump that only mimics a line, so gets what it deserves and no more. Where the background walks
//! (see `unrest`), rows are whitened once more, by the walk's Kalman filter.
//! Among n readings chance has `n/h` windows of h readings to try, so a jump between long sides
//! needs less evidence: its deviance gains `2 ln h` (the scale penalty of Dümbgen & Spokoiny 2001,
//! Annals of Statistics 29, 124-152, and of Frick, Munk & Sieling 2014, JRSS B 76, 495-580). Long
//! sides gain [`LASTING`] more: short ones are tried at every reading, long ones only at candidates.
//! The noise scale is not taken as known: with a prior worth ν₀ readings at the level's σ, the
//! deviance of N readings with residual square sum R is Student's, `(N + ν₀) ln(1 + R/ν₀)` up to a
//! constant.

use super::equations::{Columns, Fit, fit, left_over};
use super::memo::{Notes, Products};
use super::noise::{Noise, second_difference};
use super::rows::Rows;
use super::slopes::Slopes;
use super::soft::{self, SOFT};
use super::spikes;
use crate::capture::TimeAxis;
use crate::numeric::plain_sum;

/// Blocks on one side of the place at most.
pub(super) const SIDE: usize = 64;
/// Readings on one side of the first look.
const NEAR: usize = 8;
/// Evidence of the first look, in units of what is needed, from which on no other is taken.
const NEAR_ONLY: f64 = 2.0;
/// The same from which on it stands, whatever wider looks say.
const NEAR_ALONE: f64 = 1.2;
/// Samples pooled to one block, scale by scale.
pub(super) const POOLS: [usize; 4] = [1, 4, 16, 64];
/// Price of a free term of the background while its usual slope is not known well.
pub(super) const TERM_COST: f64 = 10.0;
/// Price of a free term of a polynomial beyond the usual slope, where many windows tell that.
pub(super) const TERM_COST_KNOWN: f64 = 22.0;
/// Price of a decay, which has two terms. Were it dearer, a weak tail would pass for a step; were it
/// cheaper, the edges of a short cycle for tails.
const DECAY_COST: f64 = 30.0;
/// Evidence, in units of what is needed, from which on neither coarser scales are looked at nor need a
/// decay's time constant be known well.
const DECIDED: f64 = 3.0;
/// Readings that the level's σ is worth against the window's own scatter.
const PRIOR: f64 = 24.0;
/// The same, in blocks, where readings are pooled: the scatter of block means was checked against
/// the whole capture's.
const PRIOR_POOLED: f64 = 100.0;
/// Deviance that long sides gain: in noise alone with a low bar, windows of fewer than 64 readings
/// make three quarters of the steps.
const LASTING: f64 = 2.0;
/// Readings on the shorter side from which on a side begins to be long, and is.
const LONG: (f64, f64) = (8.0, 64.0);
/// Variance of the background's bend in a window, over that of its usual slope: a zero that turns
/// within the window bends as much as it slopes.
const BENDS: f64 = 10.0;
/// Readings that the level's σ is worth against one side's own differences.
const SIDE_PRIOR: f64 = 10.0;
/// The same where the side is quieter than its level: of many short sides some are so by chance,
/// and every chance jump would stand out against those.
const QUIET_PRIOR: f64 = 100.0;
/// Readings on the shorter side up to which a wider window stands for fewer windows.
const WIDEST: f64 = 1024.0;
/// Evidence for its usual slope, in σ², above which a long window is not used and the shortest is cut.
const TOO_MUCH: f64 = 1500.0;
/// The same where the background turns within the window.
const TOO_MUCH_TURNED: f64 = 400.0;
/// Slope of long stretches, as a share of that of shorter ones, below which it does.
const TURNS: f64 = 0.7;
/// The same for the shortest window, which is cut to less than half a cycle: a parabola follows no more of one.
const TOO_MUCH_NEAR: f64 = 120.0;
const BEGINS_TO_TURN: f64 = 0.9;
/// Readings on either side that show how they are rounded.
const ROUNDING_FROM: usize = 24;
/// Changes that differ by less than this factor are by as many counts.
const ALIKE: f64 = 1.5;
/// Jumps below this many σ show nothing of readings beside them that miss their level.
pub(super) const SOFT_FROM: f64 = 20.0;
/// Readings beside a jump that miss their level as much as the next one does, at most.
const MOST_SOFT: f64 = 2.5;

/// What the tests read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground<'a> {
    pub(super) values: &'a [f64],
    pub(super) time: &'a TimeAxis,
    pub(super) noise: &'a Noise,
    /// Indices of spikes, in order.
    pub(super) spikes: &'a [usize],
    /// Indices of first samples after a gap, in order.
    pub(super) breaks: &'a [usize],
    /// How steep the background usually is.
    pub(super) drift: &'a Slopes,
    /// Variance that a background without rest gains with every sample, ampere², at the scale of
    /// each pool.
    pub(super) unrest: [f64; POOLS.len()],
    /// Standard deviation of block means over what the noise model says, at the scale of each pool.
    pub(super) excess: [f64; POOLS.len()],
    /// Price of a free term of the background.
    pub(super) term_cost: f64,
    /// How much of what a reading next to a jump may miss of its level the next one may.
    pub(super) fade: f64,
}

/// Outcome of a test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Evidence {
    /// Fall in penalised deviance.
    pub(super) deviance: f64,
    /// Jump, ampere.
    pub(super) jump: f64,
    /// Its standard uncertainty, ampere.
    pub(super) jump_sd: f64,
    /// True when the nearest readings alone decided.
    pub(super) near: bool,
    /// Evidence, in σ², that the usual slope makes for itself in the window that decided.
    pub(super) moves: f64,
}

#[cfg(test)]
impl<'a> Ground<'a> {
    /// Without spikes and gaps, on a background that stands still.
    pub(super) fn plain(values: &'a [f64], time: &'a TimeAxis, noise: &'a Noise) -> Self {
        Self {
            values,
            time,
            noise,
            spikes: &[],
            breaks: &[],
            drift: &super::slopes::STILL,
            unrest: [0.0; POOLS.len()],
            excess: [1.0; POOLS.len()],
            term_cost: TERM_COST_KNOWN,
            fade: super::soft::FADES,
        }
    }
}

impl Ground<'_> {
    /// Copies `first..end` with spikes replaced.
    pub(super) fn copy(&self, first: usize, end: usize, into: &mut Vec<f64>) {
        into.clear();
        into.extend_from_slice(&self.values[first..end]);
        let from = self.spikes.partition_point(|s| *s < first);
        for spike in self.spikes[from..].iter().take_while(|s| **s < end) {
            into[spike - first] = spikes::instead(self.values, *spike);
        }
    }

    /// `first..end` with spikes replaced; copied only where there are any.
    pub(super) fn readings<'b>(
        &'b self,
        first: usize,
        end: usize,
        room: &'b mut Vec<f64>,
    ) -> &'b [f64] {
        let spike = self.spikes.partition_point(|s| *s < first);
        if self.spikes.get(spike).is_none_or(|s| *s >= end) {
            return &self.values[first..end];
        }
        self.copy(first, end, room);
        room
    }

    /// σ of one reading in `first..end`: the level's, corrected by the readings themselves.
    pub(super) fn side_sigma(&self, values: &[f64]) -> f64 {
        let values = self.settled(values);
        let n = values.len();
        let mean = plain_sum(values) / n.max(1) as f64;
        let prior = self.noise.sigma_at(mean).powi(2);
        if n < 4 {
            return prior.sqrt();
        }
        let phi = self.noise.phi;
        // The largest eighth may hold an unseen edge.
        let left_out = (n - 2) / 8;
        let kept = n - 2 - left_out;
        let squares = values.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).powi(2));
        let trimmed = if left_out > 0 { 0.57 } else { 1.0 };
        let own = sum_without_largest(squares, left_out) / trimmed / second_difference(phi);
        let floor = self.noise.floor * self.noise.floor;
        let own = own.max(floor * kept as f64);
        // Differences of correlated readings tell less of σ than as many readings.
        let worth = (1.0 - phi).max(0.1);
        let side_prior = if own < prior * kept as f64 { QUIET_PRIOR } else { SIDE_PRIOR };
        ((side_prior * prior + worth * own) / (side_prior + worth * kept as f64))
            .sqrt()
            .max(self.noise.floor)
    }

    /// Without the readings at either end that lie far off the middle one, at most half of the side:
    /// taken during a change, they tell nothing of the noise.
    pub(super) fn settled<'v>(&self, values: &'v [f64]) -> &'v [f64] {
        &values[self.settled_part(values)]
    }

    /// Which of the readings these are.
    pub(super) fn settled_part(&self, values: &[f64]) -> std::ops::Range<usize> {
        let middle = values.len() / 2;
        let Some(level) = values.get(middle) else { return 0..0 };
        let off = |value: &&f64| self.off(**value, *level) > 0.0;
        let quarter = values.len() / 4;
        let before = values[..quarter].iter().take_while(off).count();
        let after = values.iter().rev().take(quarter).take_while(off).count();
        before..values.len() - after
    }

    /// How far a reading is from a level beyond what noise may do, ampere; 0 where noise may.
    pub(super) fn off(&self, value: f64, level: f64) -> f64 {
        ((value - level).abs() - SOFT_FROM * self.noise.sigma_at(level)).max(0.0)
    }

    /// Standard deviation of rounding to the smallest change that the readings `first..end` show:
    /// a meter that changes its range rounds more coarsely there than elsewhere. One that they show
    /// only once may as well be the next step.
    fn rounding(&self, first: usize, end: usize) -> f64 {
        let (mut least, mut next) = (f64::INFINITY, f64::INFINITY);
        for w in self.values[first..end].windows(2) {
            let change = (w[1] - w[0]).abs();
            if change > self.noise.floor && change < next {
                (least, next) = if change < least { (change, least) } else { (least, change) };
            }
        }
        if next < ALIKE * least { least / 12f64.sqrt() } else { 0.0 }
    }

    /// σ of one reading on either side of `at`, from the nearest of the readings `before` and `after`.
    fn sigmas(&self, at: usize, before: &[f64], after: &[f64]) -> [f64; 2] {
        let (l, r) = (before.len(), after.len());
        let near = [&before[l - l.min(SIDE)..], &after[..r.min(SIDE)]];
        let end = (at + ROUNDING_FROM).min(self.values.len());
        let rounding =
            [self.rounding(at.saturating_sub(ROUNDING_FROM), at), self.rounding(at, end)];
        [0, 1].map(|side: usize| self.side_sigma(near[side]).max(rounding[side]))
    }

    /// Evidence for a jump at `at`, from the readings `left..right` round it.
    /// `tail` says that a step at `left` may have left a settling tail.
    pub(super) fn test(
        &self,
        left: usize,
        at: usize,
        right: usize,
        tail: bool,
        enough: f64,
        notes: &mut Notes<'_>,
    ) -> Evidence {
        let (l, r) = (at - left, right - at);
        // A strong step shows in the nearest readings already, where no tail bends much that did
        // not start close by.
        let nearest = |notes: &mut Notes<'_>| {
            let close = tail && l <= 2 * SIDE;
            let near = self.look(at, [l.min(NEAR), r.min(NEAR)], 0, close, enough, notes);
            Evidence { near: true, ..near }
        };
        let wider = l.max(r) > NEAR;
        // Beside a short side they decide little that a wider window does not.
        let mut near = (wider && l.min(r) >= NEAR).then(|| nearest(notes));
        if let Some(near) = near.filter(|near| near.deviance > NEAR_ONLY * enough) {
            return near;
        }
        let mut best = Evidence {
            deviance: f64::NEG_INFINITY,
            jump: 0.0,
            jump_sd: 0.0,
            near: false,
            moves: 0.0,
        };
        let (mut reached_l, mut reached_r) = (0, 0);
        for (scale, pool) in POOLS.into_iter().enumerate() {
            let reach = if pool == 1 { self.reach(at) } else { SIDE * pool };
            let (l, r) = ((at - left).min(reach), (right - at).min(reach));
            // A coarser scale must see at least a third more of one side.
            if pool > 1 && l * 3 < reached_l * 4 && r * 3 < reached_r * 4 {
                break;
            }
            // A side that is a single block loses its shape, and the other's level is known well enough.
            if pool > 1 && l.min(r) < pool {
                break;
            }
            if pool > 1 && self.wanders(scale, at, l + r) {
                break;
            }
            (reached_l, reached_r) = (l, r);
            let evidence = self.look(at, [l, r], scale, tail, enough, notes);
            if evidence.deviance > best.deviance {
                best = evidence;
            }
            if best.deviance > DECIDED * enough {
                break;
            }
        }
        if wider && best.deviance <= enough {
            near = near.or_else(|| Some(nearest(notes)));
        }
        // Else wider windows could lose a true step in what is left of a neighbour that was
        // dropped, and that step its neighbour in turn.
        near.filter(|near| near.deviance > best.deviance.max(NEAR_ALONE * enough)).unwrap_or(best)
    }

    /// The jump of a step at `at` between its neighbours, from as many readings as one window takes.
    pub(super) fn measure(
        &self,
        left: usize,
        at: usize,
        right: usize,
        notes: &mut Notes<'_>,
    ) -> (f64, f64) {
        let reach = [at - left, right - at].map(|n| n.min(SIDE));
        let evidence = self.look(at, reach, 0, false, 0.0, notes);
        (evidence.jump, evidence.jump_sd)
    }

    fn look(
        &self,
        at: usize,
        [l, r]: [usize; 2],
        scale: usize,
        tail: bool,
        enough: f64,
        notes: &mut Notes<'_>,
    ) -> Evidence {
        let pool = POOLS[scale].min(l).min(r).max(1);
        let window = (at, l as u32, r as u32, scale as u8);
        let bonus = fewer(l.min(r));
        let mut rows = None;
        let known = notes.products(&window);
        let mut products =
            known.unwrap_or_else(|| rows.insert(self.rows(at, [l, r], scale, notes)).products());
        let slope = self.drift.at(scale, at);
        let (mut null, mut with) = self.polynomials(&products, pool, slope);
        let mut news = known.is_none();
        if tail && products.rows >= 8 && null - with.0 >= enough - bonus {
            let decays = products.decays.unwrap_or_else(|| {
                news = true;
                let rows = rows.get_or_insert_with(|| self.rows(at, [l, r], scale, notes));
                let left = |square_sum| deviance(products.rows, pool, square_sum, 3);
                let far = |bare, jump| left(bare) - left(jump) > DECIDED * enough;
                rows.decays(self.time, &products.gram, far)
            });
            products.decays = Some(decays);
            let [bare, jump] =
                decays.map(|square_sum| deviance(products.rows, pool, square_sum, 3) + DECAY_COST);
            (null, with.0) = (null.min(bare), with.0.min(jump));
        }
        if let Some(rows) = rows {
            notes.room.cells = rows.columns.cells;
        }
        if news {
            notes.room.saw(window, products);
        }
        let (with, jump, jump_sd) = with;
        let moves = self.moves(slope, at, l + r);
        Evidence { deviance: null - with + bonus, jump, jump_sd, near: false, moves }
    }

    /// True where the usual slope alone moves a window of `n` samples so much that its bends,
    /// which no low polynomial follows, could pass for jumps; the sooner where it turns: where the
    /// slope of stretches this long is much less than that of shorter ones.
    fn wanders(&self, scale: usize, at: usize, n: usize) -> bool {
        let (shorter, own) = (self.drift.at(scale - 1, at), self.drift.at(scale, at));
        self.moves(own, at, n) > TOO_MUCH
            || (own < TURNS * shorter && self.moves(shorter, at, n) > TOO_MUCH_TURNED)
    }

    /// Readings on either side that are looked at one by one: fewer where the usual slope would move
    /// the window too much, and where it turns.
    fn reach(&self, at: usize) -> usize {
        let (own, longer) = (self.drift.at(0, at), self.drift.at(1, at));
        let most = if longer < BEGINS_TO_TURN * own { TOO_MUCH_NEAR } else { TOO_MUCH };
        let share = (most / self.moves(own, at, 2 * SIDE)).cbrt().min(1.0);
        ((share * SIDE as f64) as usize).max(NEAR)
    }

    /// Evidence, in σ², that a slope makes for itself in a window of `n` samples.
    fn moves(&self, slope: f64, at: usize, n: usize) -> f64 {
        let sigma = self.noise.sigma_at(self.values[at]);
        let phi = self.noise.phi;
        let worth = (1.0 - phi) / (1.0 + phi);
        (slope / sigma).powi(2) * (n as f64).powi(3) / 12.0 * worth
    }

    /// Scatter at the far end of a side, told from there on, where the step before or after has left
    /// readings that are not of its level: as much as each lies off it.
    fn unsettled<'v>(&self, level: f64, far: impl ExactSizeIterator<Item = &'v f64>) -> Vec<f64> {
        let half = far.len() / 2;
        far.take(half).map(|value| self.off(*value, level)).take_while(|off| *off > 0.0).collect()
    }

    /// The rows of the normal equations for the `l` readings before `at` and the `r` from there on.
    fn rows(&self, at: usize, [l, r]: [usize; 2], scale: usize, notes: &mut Notes<'_>) -> Rows {
        let pool = POOLS[scale].min(l).min(r).max(1);
        let room = &mut *notes.room;
        let readings = self.readings(at - l, at + r, &mut room.readings);
        let (before, after) = readings.split_at(l);
        let sigma = self.sigmas(at, before, after);
        let (mut rho, unit) = self.noise.pooled(pool);
        let (unit, walks) = (unit * self.excess[scale].powi(2), self.unrest[scale]);
        // Whole blocks, from the jump on.
        let readings = &readings[l % pool..];
        let (l, r) = (l / pool, r / pool);
        let n = l + r;
        let values = if pool == 1 {
            readings
        } else {
            let blocks = readings.chunks_exact(pool).take(n);
            room.means.clear();
            room.means.extend(blocks.map(|block| plain_sum(block) / pool as f64));
            &room.means
        };
        let (before, after) = values.split_at(l);
        let origin = before[l - 1];
        let start = at - l * pool;
        // Of even times only the span is needed, the rest is counted.
        let even = matches!(self.time, TimeAxis::Uniform { .. });
        let time_s = |block: usize| {
            let first = start + block * pool;
            0.5 * (self.time.at(first) + self.time.at(first + pool - 1))
        };
        let first_s = time_s(0);
        let span_s = (time_s(n - 1) - first_s).max(f64::MIN_POSITIVE);
        let broken = self.breaks.partition_point(|b| *b + l * pool <= at);
        let any_break = self.breaks.get(broken).is_some_and(|b| *b < at + r * pool);

        let mut columns = Columns::new(n, pool > 1, std::mem::take(&mut room.cells));
        let mut after_break: Vec<bool> = Vec::new();
        // Of a block, the part that lies next to the jump.
        let readings = (1.0 / (1.0 - self.fade)).min(MOST_SOFT);
        let variances = sigma.map(|sigma| sigma * sigma * unit);
        let (soft, takes) = soft::edges(self.noise, before, after, variances.map(f64::sqrt));
        let soft = soft * (readings / pool as f64).min(1.0);
        let fades = self.fade.powi(pool as i32);
        let negligible = f64::EPSILON * variances[0].min(variances[1]);
        let softened = [takes[0].min(l), takes[1].min(r)].map(|takes| -> Vec<f64> {
            (0..takes)
                .scan(soft, |soft, _| {
                    let now = *soft;
                    *soft *= fades;
                    Some(now * now)
                })
                .take_while(|square| *square > negligible)
                .collect()
        });
        let unsettled = [
            self.unsettled(before[l - 1 - l / 2], before.iter()),
            self.unsettled(after[r / 2], after.iter().rev()),
        ];
        let scales = variances.map(|variance| 1.0 / variance.sqrt());
        let scale = columns.scale();
        scale[..l].fill(scales[0]);
        scale[l..].fill(scales[1]);
        let unquiet = |variance: f64, more: f64| 1.0 / (variance + more).sqrt();
        for (i, softened) in softened[0].iter().enumerate() {
            scale[l - 1 - i] = unquiet(variances[0], *softened);
        }
        for (i, softened) in softened[1].iter().enumerate() {
            scale[l + i] = unquiet(variances[1], *softened);
        }
        for (side, far) in unsettled.iter().enumerate() {
            for (k, far) in far.iter().enumerate() {
                let k = if side == 0 { k } else { n - 1 - k };
                let i = if side == 0 { l - 1 - k } else { k - l };
                let softened = softened[side].get(i).copied().unwrap_or(0.0);
                scale[k] = unquiet(variances[side], softened + far * far);
            }
        }
        let values = values.iter().map(|value| value - origin);
        if even {
            let per_row = ((n - 1) as f64).recip();
            columns.fill(l, (0..n as u32).map(|k| (f64::from(k) - l as f64) * per_row), values);
        } else {
            let here_s = time_s(l);
            columns.fill(l, (0..n).map(|k| (time_s(k) - here_s) / span_s), values);
        }
        if any_break {
            after_break.extend((0..n).map(|k| {
                let (a, b) = (at + k * pool - l * pool, at + (k + 1) * pool - l * pool);
                // The first block that reaches past a gap starts the noise anew.
                let start = if k == 0 { a + 1 } else { a };
                self.breaks.iter().any(|g| (start..b).contains(g))
            }));
        }
        columns.whiten(rho, &after_break);
        let walk = (walks > 0.0).then(|| columns.follow(walks * pool as f64));
        let mut gram = columns.gram();
        if pool > 1 && n >= 16 && walk.is_none() {
            let left_over = left_over(&columns, &gram);
            if left_over > rho + 1.5 / (n as f64).sqrt() {
                rho = left_over;
                columns.whiten(rho, &after_break);
                gram = columns.gram();
            }
        }
        let uneven = if even { 0 } else { n };
        let from_first_s = (0..uneven).map(|k| time_s(k) - first_s).collect();
        Rows { columns, after_break, rho, walk, gram, pool, span_s, from_first_s }
    }

    /// Least penalised deviance over the polynomial backgrounds, without a jump and with one, that
    /// one's jump and its standard uncertainty beside it.
    fn polynomials(&self, products: &Products, pool: usize, drift: f64) -> (f64, (f64, f64, f64)) {
        let Products { gram: g, rows: n, .. } = products;
        let n = *n;
        // A slope of this size is no surprise: its prior in the normal equations.
        let usual = drift * (n * pool) as f64;
        let ridge = if usual > 0.0 { 1.0 / (usual * usual) } else { f64::INFINITY };
        let mut null = f64::INFINITY;
        let mut with = (f64::INFINITY, 0.0, f64::INFINITY);
        let mut consider = |found: Option<Fit>, terms: usize, cost: f64| {
            let Some(found) = found else { return };
            // Both hypotheses are judged with the same degrees of freedom.
            null = null.min(deviance(n, pool, found.bare, terms + 1) + cost);
            if let Some((square_sum, jump, unit_sd)) = found.jump {
                let d = deviance(n, pool, square_sum, terms + 1) + cost;
                if d < with.0 {
                    let dof = (n as f64 - terms as f64 - 1.0).max(0.0);
                    let scale = ((square_sum + prior(pool)) / (dof + prior(pool))).sqrt();
                    with = (d, jump, unit_sd * scale);
                }
            }
        };
        if ridge.is_finite() && n >= 4 {
            let mut with_prior = *g;
            with_prior[1][1] += ridge;
            with_prior[2][2] += ridge / BENDS;
            with_prior[3][3] += 4.0 * ridge / BENDS;
            match n {
                ..16 => consider(fit::<2, 4>(&with_prior), 2, 0.0),
                _ if pool == 1 => consider(fit::<3, 5>(&with_prior), 3, 0.0),
                _ => consider(fit::<4, 6>(&with_prior), 4, 0.0),
            }
        } else {
            consider(fit::<1, 3>(g), 1, 0.0);
        }
        if n >= 4 {
            consider(fit::<2, 4>(g), 2, self.term_cost);
        }
        if n >= 8 {
            consider(fit::<3, 5>(g), 3, 2.0 * self.term_cost);
        }
        (null, with)
    }
}

/// Price of a free term of a polynomial beyond the usual slope: of w windows of a capture of `n` readings one
/// is of another kind with odds of about 1/w, so it gains `2 ln w` over what it is where nothing is known.
pub(super) fn term_cost(n: usize) -> f64 {
    let windows = (n as f64 / (2 * SIDE) as f64).max(1.0);
    (TERM_COST + 2.0 * windows.ln()).min(TERM_COST_KNOWN)
}

/// Sum of squares without the `left_out` largest ones. O(n) where these are few.
fn sum_without_largest(squares: impl Iterator<Item = f64>, left_out: usize) -> f64 {
    let mut room = [0.0; SIDE / 8];
    let mut many = Vec::new();
    let largest = match room.get_mut(..left_out) {
        Some(room) => room,
        None => {
            many.resize(left_out, 0.0);
            &mut many[..]
        }
    };
    // The largest so far, the least of them first; what they push out is summed.
    let mut sum = 0.0;
    for square in squares {
        match largest.first() {
            Some(least) if square > *least => {
                sum += least;
                let mut at = 0;
                while let Some(next) = largest.get(at + 1).filter(|next| **next < square) {
                    largest[at] = *next;
                    at += 1;
                }
                largest[at] = square;
            }
            _ => sum += square,
        }
    }
    sum
}

/// Student's deviance of a residual square sum on `used` columns.
fn deviance(rows: usize, pool: usize, square_sum: f64, used: usize) -> f64 {
    let dof = (rows as f64 - used as f64).max(1.0) + prior(pool);
    dof * (1.0 + square_sum / prior(pool)).ln()
}

/// Rows that σ is worth.
fn prior(pool: usize) -> f64 {
    if pool > 1 { PRIOR_POOLED } else { PRIOR }
}

/// How far the reading next to a jump may miss its level, where the levels' larger σ is `sigma`.
pub(super) fn softness(jump: f64, sigma: f64) -> f64 {
    SOFT * (jump.abs() - SOFT_FROM * sigma).max(0.0)
}

/// What the deviance of a jump with `shorter` readings on its shorter side gains over that of one
/// with a single reading there: n readings hold `n/h` windows of h readings that do not overlap, and
/// fewer of the long ones are tried.
fn fewer(shorter: usize) -> f64 {
    let shorter = (shorter as f64).min(WIDEST);
    let long = (shorter / LONG.0).ln() / (LONG.1 / LONG.0).ln();
    2.0 * shorter.ln() + LASTING * long.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::super::memo::{Memo, Room};
    use super::*;

    fn levels(held: &[(f64, usize)]) -> Vec<f64> {
        held.iter().flat_map(|(level, readings)| vec![*level; *readings]).collect()
    }

    fn evidence(values: &[f64], (left, at, right): (usize, usize, usize)) -> Evidence {
        let noise = Noise::learn(values, None);
        let time = TimeAxis::Uniform { interval_s: 1.0, len: values.len() };
        let ground = Ground::plain(values, &time, &noise);
        let (memo, mut room) = (Memo::of(values.len()), Room::default());
        ground.test(left, at, right, true, 28.0, &mut memo.notes(&mut room))
    }

    /// Readings without any noise change only at steps, and the next one is no rounding.
    #[test]
    fn a_bigger_step_next_to_a_short_side_hides_none_from_a_silent_meter() {
        let up_next = levels(&[(0.02, 300), (0.075, 100), (0.02, 15), (0.4, 300)]);
        let down_next = levels(&[(1.01, 400), (1.06, 19), (0.05, 400)]);
        let before = levels(&[(0.4, 300), (0.075, 12), (0.02, 300)]);
        for (values, places, jump) in [
            (up_next, (300, 400, 415), -0.055),
            (down_next, (0, 400, 419), 0.05),
            (before, (300, 312, 612), -0.055),
        ] {
            let found = evidence(&values, places);
            assert!(found.deviance > 60.0, "{found:?}");
            assert!((found.jump - jump).abs() < 0.1 * jump.abs(), "{found:?}");
        }
    }

    #[test]
    fn the_largest_squares_are_left_out_of_the_sum() {
        for (n, left_out) in [(1, 0), (5, 0), (9, 1), (62, 7), (62, 62), (300, 37)] {
            let square = |i: i32| (f64::from(i) * 0.618_034).fract().powi(2);
            let squares: Vec<f64> = (0..n).chain(0..n / 3).map(square).collect();
            let mut sorted = squares.clone();
            sorted.sort_by(f64::total_cmp);
            let direct: f64 = sorted[..sorted.len().saturating_sub(left_out)].iter().sum();
            let found = sum_without_largest(squares.into_iter(), left_out);
            approx::assert_relative_eq!(found, direct, max_relative = 1e-12);
        }
    }

    /// Where readings go to and fro between two counts, one count is no jump.
    #[test]
    fn counts_that_come_again_are_rounding() {
        let mut values = levels(&[(0.0, 3000)]);
        values.iter_mut().step_by(2).for_each(|value| *value += 1e-4);
        let count = |i: usize| if i.is_multiple_of(7) { 0.0 } else { 0.02 };
        (1500..1516).for_each(|i| values[i] = count(i));
        let found = evidence(&values, (0, 1508, 1516));
        assert!(found.deviance < 28.0, "{found:?}");
    }
}
