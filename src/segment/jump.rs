//! Is there a sharp jump here? A generalised least-squares test in a local window.
//!
//! Model of the readings in a window round a place `c`: a smooth background, a jump `J` from `c` on,
//! and AR(1) noise whose σ may differ between the sides. Readings and regressors are divided by
//! their side's σ and whitened, `w_i = (v_i − ρ v_{i−1}) / √(1 − ρ²)`. Long windows are pooled into
//! block means, whose variance and correlation follow from φ.
//! The background is a constant, a line, a parabola, or an exponential that decays from the
//! window's first reading (a load settling after the step before); each further term costs
//! [`TERM_COST`]. The evidence for the jump is the fall in penalised deviance
//! `min over backgrounds without J − min over backgrounds with J`. A line that only mimics a jump, or
//! a jump that only mimics a line, so gets what it deserves and no more.
//! Among n readings chance has `n/h` windows of h readings to try, so a jump between long sides
//! needs less evidence: its deviance gains `2 ln h` (the scale penalty of Dümbgen & Spokoiny 2001,
//! Annals of Statistics 29, 124-152, and of Frick, Munk & Sieling 2014, JRSS B 76, 495-580).
//! The noise scale is not taken as known: with a prior worth ν₀ readings at the level's σ, the
//! deviance of N readings with residual square sum R is Student's, `(N + ν₀) ln(1 + R/ν₀)` up to a
//! constant.

use super::noise::{Noise, second_difference};
use super::spikes;
use crate::capture::TimeAxis;

/// Blocks on one side of the place at most.
const SIDE: usize = 64;
/// Readings on one side of the first look.
const NEAR: usize = 8;
/// Samples pooled to one block, scale by scale.
pub(super) const POOLS: [usize; 4] = [1, 4, 16, 64];
/// Price of a free term of the background while its usual slope is not known well.
pub(super) const TERM_COST: f64 = 10.0;
/// Price of a free term beyond the usual slope.
pub(super) const TERM_COST_KNOWN: f64 = 22.0;
/// Readings that the level's σ is worth against the window's own scatter.
const PRIOR: f64 = 24.0;
/// Readings that the level's σ is worth against one side's own differences.
const SIDE_PRIOR: f64 = 10.0;
/// The same where the side is quieter than its level: of many short sides some are so by chance,
/// and every chance jump would stand out against those.
const QUIET_PRIOR: f64 = 100.0;
/// Readings on the shorter side up to which a wider window stands for fewer windows.
const WIDEST: f64 = 1024.0;
/// Time constants of the decays tried first, as shares of the window.
const DECAYS: [f64; 8] = [0.015, 0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0];
/// Evidence for its usual slope, in σ², above which a long window is not used.
const TOO_MUCH: f64 = 1500.0;
/// The same where the background turns within the window.
const TOO_MUCH_TURNED: f64 = 400.0;
/// Slope of long stretches, as a share of that of shorter ones, below which it does.
const TURNS: f64 = 0.7;
/// Readings on either side that show how they are rounded.
const ROUNDING_FROM: usize = 24;
/// Share of a jump by which the reading next to it may miss its level: an averaging meter takes it
/// during the change, and what is switched dies away; it fades by 1/√e a reading.
const SOFT: f64 = 0.2;
/// Jumps below this many σ show nothing of that.
const SOFT_FROM: f64 = 20.0;
/// Readings on either side whose middle one tells the jump.
const SOFT_LOOK: usize = 5;
const COLUMNS: usize = 6;

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
    /// Typical slope of the background, ampere a sample, at the scale of each pool.
    pub(super) drift: [f64; POOLS.len()],
    /// Price of a free term of the background.
    pub(super) term_cost: f64,
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
}

/// Block means of one side, nearest block first.
struct Side {
    value: Vec<f64>,
    time: Vec<f64>,
    sigma: f64,
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

    /// σ of one reading in `first..end`: the level's, corrected by the readings themselves.
    pub(super) fn side_sigma(&self, values: &[f64]) -> f64 {
        let n = values.len();
        let mean = values.iter().sum::<f64>() / n.max(1) as f64;
        let prior = self.noise.sigma_at(mean).powi(2);
        if n < 4 {
            return prior.sqrt();
        }
        let phi = self.noise.phi;
        let mut squares: Vec<f64> =
            values.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).powi(2)).collect();
        // The largest eighth may hold an unseen edge.
        let kept = squares.len() - squares.len() / 8;
        if kept < squares.len() {
            squares.select_nth_unstable_by(kept, f64::total_cmp);
        }
        let trimmed = if kept < squares.len() { 0.57 } else { 1.0 };
        let own: f64 = squares[..kept].iter().sum::<f64>() / trimmed / second_difference(phi);
        let floor = self.noise.floor * self.noise.floor;
        let own = own.max(floor * kept as f64);
        // Differences of correlated readings tell less of σ than as many readings.
        let worth = (1.0 - phi).max(0.1);
        let side_prior = if own < prior * kept as f64 { QUIET_PRIOR } else { SIDE_PRIOR };
        ((side_prior * prior + worth * own) / (side_prior + worth * kept as f64))
            .sqrt()
            .max(self.noise.floor)
    }

    /// Standard deviation of rounding to the smallest change that the readings `first..end` show:
    /// a meter that changes its range rounds more coarsely there than elsewhere.
    fn rounding(&self, first: usize, end: usize) -> f64 {
        let changes = self.values[first..end].windows(2).map(|w| (w[1] - w[0]).abs());
        let least = changes.filter(|d| *d > self.noise.floor).fold(f64::INFINITY, f64::min);
        if least.is_finite() { least / 12f64.sqrt() } else { 0.0 }
    }

    fn side(&self, values: &[f64], start: usize, pool: usize, forward: bool) -> Side {
        let n = values.len();
        let near = n.min(SIDE);
        let own = self.side_sigma(if forward { &values[..near] } else { &values[n - near..] });
        let rounding = if forward {
            self.rounding(start, (start + ROUNDING_FROM).min(self.values.len()))
        } else {
            self.rounding((start + n).saturating_sub(ROUNDING_FROM), start + n)
        };
        let sigma = own.max(rounding);
        let blocks = n / pool;
        let mut value = Vec::with_capacity(blocks);
        let mut time = Vec::with_capacity(blocks);
        for k in 0..blocks {
            let first = if forward { k * pool } else { n - (k + 1) * pool };
            let block = &values[first..first + pool];
            value.push(block.iter().sum::<f64>() / pool as f64);
            let (a, b) = (start + first, start + first + pool - 1);
            time.push(0.5 * (self.time.at(a) + self.time.at(b)));
        }
        Side { value, time, sigma }
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
    ) -> Evidence {
        let mut best =
            Evidence { deviance: f64::NEG_INFINITY, jump: 0.0, jump_sd: 0.0, near: false };
        let (mut reached_l, mut reached_r) = (0, 0);
        let mut window = Vec::new();
        if (at - left).max(right - at) > NEAR {
            // A strong step shows in the nearest readings already, where no tail bends much that
            // did not start close by.
            let close = tail && at - left <= 2 * SIDE;
            let reach = [at - left, right - at].map(|n| n.min(NEAR));
            let near = self.look(at, reach, 0, close, enough, &mut window);
            if near.deviance > 2.0 * enough {
                return Evidence { near: true, ..near };
            }
        }
        for (scale, pool) in POOLS.into_iter().enumerate() {
            let reach = SIDE * pool;
            let (l, r) = ((at - left).min(reach), (right - at).min(reach));
            // A coarser scale must see at least a third more of one side.
            if pool > 1 && l * 3 < reached_l * 4 && r * 3 < reached_r * 4 {
                break;
            }
            if pool > 1 && self.wanders(scale, at, l + r) {
                break;
            }
            (reached_l, reached_r) = (l, r);
            let evidence = self.look(at, [l, r], scale, tail, enough, &mut window);
            if evidence.deviance > best.deviance {
                best = evidence;
            }
            if best.deviance > 3.0 * enough {
                break;
            }
        }
        best
    }

    /// The jump of a step at `at` between its neighbours, from as many readings as one window takes.
    pub(super) fn measure(&self, left: usize, at: usize, right: usize) -> (f64, f64) {
        let reach = [at - left, right - at].map(|n| n.min(SIDE));
        let evidence = self.look(at, reach, 0, false, 0.0, &mut Vec::new());
        (evidence.jump, evidence.jump_sd)
    }

    fn look(
        &self,
        at: usize,
        [l, r]: [usize; 2],
        scale: usize,
        tail: bool,
        enough: f64,
        window: &mut Vec<f64>,
    ) -> Evidence {
        let pool = POOLS[scale].min(l).min(r).max(1);
        self.copy(at - l, at + r, window);
        let sides =
            [self.side(&window[..l], at - l, pool, false), self.side(&window[l..], at, pool, true)];
        let bonus = fewer(l.min(r));
        let mut evidence = self.weigh(&sides, at, pool, tail, self.drift[scale], enough - bonus);
        evidence.deviance += bonus;
        evidence
    }

    /// True where the usual slope alone moves a window of `n` samples so much that its bends,
    /// which no low polynomial follows, could pass for jumps; the sooner where it turns: where the
    /// slope of stretches this long is much less than that of shorter ones.
    fn wanders(&self, scale: usize, at: usize, n: usize) -> bool {
        let n = n as f64;
        let sigma = self.noise.sigma_at(self.values[at]);
        let phi = self.noise.phi;
        let worth = (1.0 - phi) / (1.0 + phi);
        let moves = |slope: f64| (slope / sigma).powi(2) * n.powi(3) / 12.0 * worth;
        let (shorter, own) = (self.drift[scale - 1], self.drift[scale]);
        moves(own) > TOO_MUCH || (own < TURNS * shorter && moves(shorter) > TOO_MUCH_TURNED)
    }

    /// Scatter of the two readings next to a large jump, beyond the noise, ampere: without it one
    /// reading taken during the change outweighs all others where a level is much quieter than the
    /// jump is high.
    fn softness(&self, sides: &[Side; 2]) -> f64 {
        let middle = |side: &Side| {
            let mut near: Vec<f64> = side.value.iter().take(SOFT_LOOK).copied().collect();
            near.sort_by(f64::total_cmp);
            near[near.len() / 2]
        };
        let levels = [middle(&sides[0]), middle(&sides[1])];
        let sigma = self.noise.sigma_at(levels[0]).max(self.noise.sigma_at(levels[1]));
        SOFT * ((levels[1] - levels[0]).abs() - SOFT_FROM * sigma).max(0.0)
    }

    /// The same at the far end of a side, where the step before or after has left readings that
    /// are not of its level: as much as each lies off it.
    fn unsettled(&self, side: &Side) -> Vec<f64> {
        let (value, n) = (&side.value, side.value.len());
        let level = value[n / 2];
        let least = SOFT_FROM * self.noise.sigma_at(level);
        let off = |i: usize| ((value[i] - level).abs() - least).max(0.0);
        (n - n / 2..n).rev().map(off).take_while(|off| *off > 0.0).collect()
    }

    fn weigh(
        &self,
        sides: &[Side; 2],
        at: usize,
        pool: usize,
        tail: bool,
        drift: f64,
        enough: f64,
    ) -> Evidence {
        let (mut rho, unit) = self.noise.pooled(pool);
        let (l, r) = (sides[0].value.len(), sides[1].value.len());
        let n = l + r;
        let origin = sides[0].value[0];
        let here_s = sides[1].time[0];
        let first_s = sides[0].time[l - 1];
        let span = (sides[1].time[r - 1] - first_s).max(f64::MIN_POSITIVE);
        let broken = self.breaks.partition_point(|b| *b + l * pool <= at);
        let any_break = self.breaks.get(broken).is_some_and(|b| *b < at + r * pool);

        let mut columns = Columns::new(n);
        let mut after_break: Vec<bool> = Vec::new();
        // Of a block, the part that lies next to the jump.
        let soft = self.softness(sides) * (2.5 / pool as f64).min(1.0);
        let fades = (-0.5 * pool as f64).exp();
        let softened: Vec<f64> = (0..l.max(r))
            .scan(soft, |soft, _| {
                let now = *soft;
                *soft *= fades;
                Some(now)
            })
            .collect();
        let unsettled = [self.unsettled(&sides[0]), self.unsettled(&sides[1])];
        for k in 0..n {
            let (side, i, jump, far) = if k < l {
                (&sides[0], l - 1 - k, 0.0, unsettled[0].get(k))
            } else {
                (&sides[1], k - l, 1.0, unsettled[1].get(n - 1 - k))
            };
            let far = far.copied().unwrap_or(0.0);
            let scale = 1.0 / (side.sigma * unit.sqrt()).hypot(softened[i].hypot(far));
            let t = (side.time[i] - here_s) / span;
            let (value, jump) = ((side.value[i] - origin) * scale, jump * scale);
            columns.set(k, [scale, t * scale, t * t * scale, t * t * t * scale, jump, value]);
            if any_break {
                let (a, b) = if k < l {
                    (at - (i + 1) * pool, at - i * pool)
                } else {
                    (at + i * pool, at + (i + 1) * pool)
                };
                // The first block that reaches past a gap starts the noise anew.
                let start = if k == 0 { a + 1 } else { a };
                after_break.push(self.breaks.iter().any(|g| (start..b).contains(g)));
            }
        }
        // A slope of this size is no surprise: its prior in the normal equations.
        let usual = drift * (n * pool) as f64;
        let ridge = if usual > 0.0 { 1.0 / (usual * usual) } else { f64::INFINITY };
        columns.whiten(rho, &after_break);
        let mut g = columns.gram();
        if pool > 1 && n >= 16 {
            let left_over = left_over(&columns, &g);
            if left_over > rho + 1.5 / (n as f64).sqrt() {
                rho = left_over;
                columns.whiten(rho, &after_break);
                g = columns.gram();
            }
        }
        let count = n as f64;
        let deviance = |square_sum: f64, used: usize, cost: f64| {
            let dof = (count - used as f64).max(1.0) + PRIOR;
            dof * (1.0 + square_sum / PRIOR).ln() + cost
        };
        const JUMP: usize = 4;
        let mut null = f64::INFINITY;
        let mut with = f64::INFINITY;
        let mut estimate = (0.0, f64::INFINITY);
        let mut consider = |g: &[[f64; COLUMNS]; COLUMNS], shape: &[usize], cost: f64| {
            // Both hypotheses are judged with the same degrees of freedom.
            if let Some((square_sum, _)) = fit(g, shape, None) {
                null = null.min(deviance(square_sum, shape.len() + 1, cost));
            }
            if let Some((square_sum, Some((jump, unit_sd)))) = fit(g, shape, Some(JUMP)) {
                let d = deviance(square_sum, shape.len() + 1, cost);
                if d < with {
                    with = d;
                    let dof = (count - shape.len() as f64 - 1.0).max(0.0);
                    let scale = ((square_sum + PRIOR) / (dof + PRIOR)).sqrt();
                    estimate = (jump, unit_sd * scale);
                }
            }
        };
        if ridge.is_finite() && n >= 4 {
            let mut with_prior = g;
            with_prior[1][1] += ridge;
            if pool > 1 && n >= 16 {
                with_prior[2][2] += ridge;
                with_prior[3][3] += 4.0 * ridge;
                consider(&with_prior, &[0, 1, 2, 3], 0.0);
            } else {
                consider(&with_prior, &[0, 1], 0.0);
            }
        } else {
            consider(&g, &[0], 0.0);
        }
        if n >= 4 {
            consider(&g, &[0, 1], self.term_cost);
        }
        if n >= 8 {
            consider(&g, &[0, 1, 2], 2.0 * self.term_cost);
        }
        if tail && n >= 8 && null - with >= enough {
            let mut decay = |share: f64| {
                let rate = -1.0 / (share * span);
                match self.time {
                    // Blocks are evenly spaced: each is the one before, decayed once more.
                    TimeAxis::Uniform { interval_s, .. } => {
                        let once = (rate * interval_s * pool as f64).exp();
                        let mut decay = 1.0;
                        columns.put_decay(|_| {
                            let now = decay;
                            decay *= once;
                            now
                        });
                    }
                    TimeAxis::Listed(_) => columns.put_decay(|k| {
                        let time_s =
                            if k < l { sides[0].time[l - 1 - k] } else { sides[1].time[k - l] };
                        (rate * (time_s - first_s)).exp()
                    }),
                }
                columns.whiten_decay(rho, &after_break);
                columns.gram_of_decay(&mut g);
                let bare = fit(&g, &[0, DECAY], None).map_or(f64::INFINITY, |f| f.0);
                let jump = fit(&g, &[0, DECAY], Some(JUMP)).map_or(f64::INFINITY, |f| f.0);
                [bare, jump]
            };
            let tried = DECAYS.map(|share| (share, decay(share)));
            // The best time constant of each hypothesis, between its neighbours.
            let best = [0, 1].map(|which| {
                let (mut share, mut least) = (DECAYS[0], f64::INFINITY);
                for (s, found) in tried {
                    if found[which] < least {
                        (share, least) = (s, found[which]);
                    }
                }
                let mut stride = 2f64.sqrt();
                for _ in 0..7 {
                    for s in [share * stride, share / stride] {
                        let found = decay(s)[which];
                        if found < least {
                            (share, least) = (s, found);
                        }
                    }
                    stride = stride.sqrt();
                }
                least
            });
            null = null.min(deviance(best[0], 3, 2.0 * self.term_cost));
            with = with.min(deviance(best[1], 3, 2.0 * self.term_cost));
        }
        Evidence { deviance: null - with, jump: estimate.0, jump_sd: estimate.1, near: false }
    }
}

/// What the deviance of a jump with `shorter` readings on its shorter side gains over that of one
/// with a single reading there: n readings hold `n/h` windows of h readings that do not overlap.
fn fewer(shorter: usize) -> f64 {
    2.0 * (shorter as f64).min(WIDEST).ln()
}

/// Column of the cubic term, and of a decay once the polynomials have been weighed.
const DECAY: usize = 3;
const VALUE: usize = COLUMNS - 1;

/// Regressors and readings, column by column: divided by their σ, and whitened.
struct Columns {
    raw: [Vec<f64>; COLUMNS],
    white: [Vec<f64>; COLUMNS],
}

impl Columns {
    fn new(n: usize) -> Self {
        Self {
            raw: std::array::from_fn(|_| vec![0.0; n]),
            white: std::array::from_fn(|_| vec![0.0; n]),
        }
    }

    #[inline]
    fn set(&mut self, k: usize, row: [f64; COLUMNS]) {
        for (column, value) in self.raw.iter_mut().zip(row) {
            column[k] = value;
        }
    }

    fn whiten(&mut self, rho: f64, fresh: &[bool]) {
        for (raw, white) in self.raw.iter().zip(&mut self.white) {
            whiten(raw, rho, fresh, white);
        }
    }

    /// Gram matrix of the whitened columns, its lower half.
    fn gram(&self) -> [[f64; COLUMNS]; COLUMNS] {
        let mut gram = [[0.0; COLUMNS]; COLUMNS];
        for i in 0..COLUMNS {
            for j in 0..=i {
                gram[i][j] = dot(&self.white[i], &self.white[j]);
            }
        }
        gram
    }

    /// `decay` of each row in place of the cubic term.
    fn put_decay(&mut self, mut decay: impl FnMut(usize) -> f64) {
        let (before, from) = self.raw.split_at_mut(DECAY);
        for (k, (value, scale)) in from[0].iter_mut().zip(&before[0]).enumerate() {
            *value = decay(k) * scale;
        }
    }

    fn whiten_decay(&mut self, rho: f64, fresh: &[bool]) {
        whiten(&self.raw[DECAY], rho, fresh, &mut self.white[DECAY]);
    }

    /// Brings what the decay has changed in the Gram matrix up to date.
    fn gram_of_decay(&self, gram: &mut [[f64; COLUMNS]; COLUMNS]) {
        for other in [0, DECAY, DECAY + 1, VALUE] {
            let product = dot(&self.white[DECAY], &self.white[other]);
            gram[DECAY.max(other)][DECAY.min(other)] = product;
        }
    }
}

/// `w_k = (v_k − ρ v_{k−1}) / √(1 − ρ²)`, the first and those after a gap as they are.
fn whiten(raw: &[f64], rho: f64, fresh: &[bool], white: &mut [f64]) {
    let scale = 1.0 / (1.0 - rho * rho).sqrt();
    let Some(first) = white.first_mut() else { return };
    *first = raw[0];
    for (white, pair) in white[1..].iter_mut().zip(raw.windows(2)) {
        *white = (pair[1] - rho * pair[0]) * scale;
    }
    for (k, _) in fresh.iter().enumerate().filter(|(_, fresh)| **fresh) {
        white[k] = raw[k];
    }
}

/// Sum of products, in four lanes.
#[inline]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let mut lanes = [0.0; 4];
    for (a, b) in a.iter().zip(b) {
        for (lane, (a, b)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += a * b;
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]) + rest
}

/// Correlation of what a line and a jump leave of the rows: more than the noise's own where the
/// background bends within the window.
fn left_over(columns: &Columns, gram: &[[f64; COLUMNS]; COLUMNS]) -> f64 {
    let Some(beta) = solve(gram, [0, 1, 4]) else { return 0.0 };
    let [constant, line, _, _, jump, value] = &columns.raw;
    let (mut squares, mut products) = (0.0, 0.0);
    let mut before = 0.0;
    for (k, value) in value.iter().enumerate() {
        let r = value - beta[0] * constant[k] - beta[1] * line[k] - beta[2] * jump[k];
        squares += r * r;
        products += r * before;
        before = r;
    }
    if squares > 0.0 { (products / squares + 3.0 / value.len() as f64).min(0.98) } else { 0.0 }
}

/// Coefficients of three columns, by Cramer's rule on the normal equations.
fn solve(gram: &[[f64; COLUMNS]; COLUMNS], columns: [usize; 3]) -> Option<[f64; 3]> {
    let at = |i: usize, j: usize| gram[i.max(j)][i.min(j)];
    let m = columns.map(|i| columns.map(|j| at(i, j)));
    let v = columns.map(|i| at(i, COLUMNS - 1));
    let det = |m: &[[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
            - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let whole = det(&m);
    if whole.is_nan() || whole.abs() <= 1e-12 * m[0][0] * m[1][1] * m[2][2] {
        return None;
    }
    Some([0, 1, 2].map(|c| {
        let mut with = m;
        for (row, v) in with.iter_mut().zip(v) {
            row[c] = v;
        }
        det(&with) / whole
    }))
}

/// Residual square sum of the last column on `shape` (and `jump`), with the jump's coefficient and
/// its standard error for unit noise. `None` when the regressors are dependent.
fn fit(
    gram: &[[f64; COLUMNS]; COLUMNS],
    shape: &[usize],
    jump: Option<usize>,
) -> Option<(f64, Option<(f64, f64)>)> {
    let mut order = [0usize; COLUMNS];
    let mut p = 0;
    for column in shape.iter().copied().chain(jump).chain([COLUMNS - 1]) {
        order[p] = column;
        p += 1;
    }
    let at = |i: usize, j: usize| {
        let (a, b) = (order[i].max(order[j]), order[i].min(order[j]));
        gram[a][b]
    };
    let mut l = [[0.0f64; COLUMNS]; COLUMNS];
    for i in 0..p {
        for j in 0..=i {
            let mut sum = at(i, j);
            sum -= l[i][..j].iter().zip(&l[j][..j]).map(|(a, b)| a * b).sum::<f64>();
            if i == j {
                if i < p - 1 {
                    if sum <= 1e-10 * at(i, i) {
                        return None;
                    }
                    l[i][i] = sum.sqrt();
                } else {
                    l[i][i] = sum.max(0.0);
                }
            } else {
                l[i][j] = sum / l[j][j];
            }
        }
    }
    let y = p - 1;
    let square_sum = l[y][y];
    // The jump is the last regressor: back substitution stops at once.
    let coefficient = jump.map(|_| (l[y][y - 1] / l[y - 1][y - 1], 1.0 / l[y - 1][y - 1]));
    Some((square_sum, coefficient))
}
