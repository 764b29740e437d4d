//! Generalised least squares over all steady stretches, the zero's wander estimated with it.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::likelihood::{LANES, Sums, Table};
use super::nnls::{Normal, non_negative};
use super::wander::{Rows, Wander, Whitener};

/// What a column of the design matrix stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Column {
    /// The meter's zero at the capture's start (with everything never switched off, when no zero check parts them).
    Offset,
    /// Its straight drift, ampere a second.
    Drift,
    /// How far it bows from the straight drift between the middle and the ends, ampere.
    Bow,
    /// How the draw of all that is powered creeps, ampere a second about the middle of its time.
    Creep,
    /// Draw with every listed load off.
    Base,
    /// Load and state, an index into the solved rows.
    Load(usize),
    /// Draw that no line lists.
    Unlisted,
}

/// `level_k = Σ_j x_jk β_j + error_k`.
#[derive(Debug, Clone, Default)]
pub(super) struct Design {
    /// Times and variances of the levels.
    pub(super) rows: Rows,
    /// Levels, ampere.
    pub(super) level_a: Vec<f64>,
    /// Columns `x_j`.
    pub(super) x: Vec<Vec<f64>>,
    /// What each stands for.
    pub(super) columns: Vec<Column>,
}

/// One solution.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    /// The design that was solved.
    pub(super) design: Design,
    /// Coefficients, least norm where the rows leave a choice; non-negative where physics demands.
    pub(super) beta: DVector<f64>,
    /// `XᵀV⁻¹X`, taken apart.
    pub(super) normal: Normal,
    whitener: Whitener,
    white_x: Vec<Vec<f64>>,
    /// Factor on the noise variances that the residuals ask for.
    pub(super) noise_scale: f64,
    /// Variances of the zero's wander.
    pub(super) wander: Wander,
    /// Degrees of freedom of the wander's variance.
    pub(super) wander_df: Option<f64>,
    /// Solutions at the likely variance components.
    likely: Vec<Likely>,
}

/// The solution at one point of the grid.
#[derive(Debug, Clone)]
struct Likely {
    weight: f64,
    normal: Normal,
    /// Its coefficients, less those reported.
    off: DVector<f64>,
}

/// Variance components of less than this share of the weight are left out of the mean.
const LEAST_WEIGHT: f64 = 1e-3;

/// Log of the prior weight of equipment that creeps, beside a meter that does (a guess of one in 400).
const SELDOM: f64 = -6.0;

/// A zero that moves by more than this share of all that the levels do is none.
const ABSURD: f64 = 1.2;

/// Half logarithms of the noise scales that are tried, in steps of 0.2.
const NOISE_STEPS: [f64; 20] = [
    -5.0, -4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0,
    12.0, 13.0, 14.0,
];

/// One point of the grid of variance components.
struct Point {
    noise_scale: f64,
    wander: Wander,
    prior: f64,
    sums: Sums,
}

/// Variance and degrees of freedom of the Student distribution with the second moment `mean` and the
/// fourth `3 (mean² + spread)`: `ν = 4 + 2 mean²/spread`, `s² = mean (1 − 2/ν)`. It is that of an
/// error whose variance is itself spread with `mean` and `spread`, matched by an inverse gamma
/// distribution (as for readings of unknown variance, JCGM 101:2008, 6.4.9.2). `None` for infinitely
/// many degrees of freedom.
fn student(mean: f64, spread: f64) -> (f64, Option<f64>) {
    if spread > 0.0 && mean > 0.0 {
        let df = 4.0 + 2.0 * mean * mean / spread;
        (mean * (1.0 - 2.0 / df), Some(df))
    } else {
        (mean, None)
    }
}

impl Design {
    pub(super) fn len(&self) -> usize {
        self.level_a.len()
    }

    /// The columns that are none of these.
    fn without(&self, left_out: &[Column]) -> Vec<usize> {
        (0..self.columns.len()).filter(|&j| !left_out.contains(&self.columns[j])).collect()
    }

    fn of_columns(self, keep: &[usize]) -> Self {
        Self {
            x: keep.iter().map(|&j| self.x[j].clone()).collect(),
            columns: keep.iter().map(|&j| self.columns[j]).collect(),
            ..self
        }
    }

    /// Those of some columns that are independent of those before them.
    fn independent(&self, columns: &[usize]) -> Vec<usize> {
        let mut basis: Vec<Vec<f64>> = Vec::new();
        let mut kept = Vec::new();
        for &j in columns {
            let column = &self.x[j];
            let size: f64 = column.iter().map(|v| v * v).sum();
            let mut rest = column.clone();
            for _ in 0..2 {
                for b in &basis {
                    let dot: f64 = b.iter().zip(&rest).map(|(a, c)| a * c).sum();
                    rest.iter_mut().zip(b).for_each(|(r, b)| *r -= dot * b);
                }
            }
            let left: f64 = rest.iter().map(|v| v * v).sum();
            if left > 1e-9 * size {
                let norm = left.sqrt();
                basis.push(rest.iter().map(|v| v / norm).collect());
                kept.push(j);
            }
        }
        kept
    }

    /// The grid of variance components, and the sums of all columns at each of its points: their
    /// prior hangs on the levels and not on the shape of the zero.
    fn grid(&self, prior_wander_a: Option<f64>) -> Vec<Point> {
        let rows = &self.rows;
        let n = self.len();
        let duration_s = (rows.end_s[n - 1] - rows.start_s[0]).max(f64::MIN_POSITIVE);
        let mut u: Vec<f64> = (0..n).map(|k| rows.independent_a2(k, 1.0).sqrt()).collect();
        u.sort_by(f64::total_cmp);
        let typical_a = u[n / 2];
        let scale_a = prior_wander_a.unwrap_or(0.0).max(3.0 * typical_a);
        let highest_a = (10.0 * scale_a).max(self.span_a());
        // Half-Student prior on the wander over the capture, half of it on either kind, and a tenth of
        // the weight on no wander at all.
        let mut wanders = vec![(Wander::default(), 0.1)];
        let mut wander_a = (typical_a / 10.0).max(highest_a * 1e-7);
        while wander_a <= highest_a {
            let ratio = wander_a / scale_a;
            let prior = 0.45 * ratio * (1.0 + ratio * ratio / 4.0).powf(-2.5);
            wanders.push((Wander::walk(wander_a, duration_s), prior));
            wanders.push((Wander::smooth(wander_a, duration_s), prior));
            wander_a *= 1.6;
        }
        let table = Table::new(rows, &self.x, &self.level_a);
        let of_wander = |(wander, prior): (Wander, f64)| {
            let mut points = Vec::with_capacity(NOISE_STEPS.len());
            for steps in NOISE_STEPS.as_chunks::<LANES>().0 {
                let log_factors = steps.map(|step| 0.2 * step);
                let noise_scales = log_factors.map(|log_factor| (2.0 * log_factor).exp());
                let sums = table.sums(&noise_scales, wander);
                for ((log_factor, noise_scale), sums) in
                    log_factors.into_iter().zip(noise_scales).zip(sums)
                {
                    // The readings' own uncertainty is believed to about a fifth.
                    let noise_prior = (1.0 + (log_factor / 0.3).powi(2)).powi(-2);
                    points.push(Point { noise_scale, wander, prior: prior * noise_prior, sums });
                }
            }
            points
        };
        let points: Vec<Vec<Point>> = wanders.into_par_iter().map(of_wander).collect();
        points.into_iter().flatten().collect()
    }

    /// Solves. The zero is a constant, a straight line or a bowed one, and what is powered holds or
    /// creeps, as the data ask for it (Bayesian information criterion).
    pub(super) fn solve(self, prior_wander_a: Option<f64>) -> Fit {
        let grid = self.grid(prior_wander_a);
        let needed = 0.5 * (self.len() as f64).ln();
        let of_shape = |left_out: &[Column]| {
            let shape = self.without(left_out);
            let kept = self.independent(&shape);
            let tried: Vec<(f64, f64)> =
                grid.iter().map(|point| point.sums.likelihood(&kept)).collect();
            let most = tried.iter().map(|(_, likelihood)| *likelihood).fold(f64::MIN, f64::max);
            let of_time = [Column::Drift, Column::Bow, Column::Creep];
            let columns = shape.iter().filter(|j| of_time.contains(&self.columns[**j])).count();
            let spare = self.len() > kept.len();
            let creeps = shape.iter().any(|j| self.columns[*j] == Column::Creep);
            let prior = if creeps { SELDOM } else { 0.0 };
            (most - needed * columns as f64 + prior, spare, shape, tried)
        };
        use Column::{Bow, Creep, Drift};
        let mut best = of_shape(&[Drift, Bow, Creep]);
        let others: [(&[Column], usize); 5] =
            [(&[Bow, Creep], 1), (&[Creep], 2), (&[Drift, Bow], 1), (&[Bow], 2), (&[], 3)];
        for (left_out, wanted) in others {
            if self.without(left_out).len() < self.without(&[Drift, Bow, Creep]).len() + wanted {
                continue;
            }
            let next = of_shape(left_out);
            let likeliest = (0..grid.len()).max_by(|&a, &b| next.3[a].1.total_cmp(&next.3[b].1));
            let sane = likeliest.is_some_and(|at| self.is_sane(&next.2, &grid[at].sums));
            if sane && next.1 && next.0 > best.0 {
                best = next;
            }
        }
        let (.., shape, tried) = best;
        self.averaged(&grid, &shape, &tried)
    }

    /// Solves with all columns, whether the data ask for them or not.
    pub(super) fn solve_whole(self, prior_wander_a: Option<f64>) -> Fit {
        let grid = self.grid(prior_wander_a);
        let shape: Vec<usize> = (0..self.columns.len()).collect();
        let kept = self.independent(&shape);
        let tried: Vec<(f64, f64)> =
            grid.iter().map(|point| point.sums.likelihood(&kept)).collect();
        self.averaged(&grid, &shape, &tried)
    }

    /// The solution with the columns of `shape`, averaged over the grid by how likely its points are.
    fn averaged(self, grid: &[Point], shape: &[usize], tried: &[(f64, f64)]) -> Fit {
        let posterior =
            |(point, (restricted, _)): (&Point, &(f64, f64))| restricted + point.prior.ln();
        let most = grid.iter().zip(tried).map(posterior).fold(f64::MIN, f64::max);
        let weights: Vec<f64> =
            grid.iter().zip(tried).map(|tried| (posterior(tried) - most).exp()).collect();
        let total: f64 = weights.iter().sum();
        let mean = |of: &dyn Fn(&Point) -> f64| {
            grid.iter().zip(&weights).map(|(point, weight)| weight * of(point)).sum::<f64>() / total
        };
        let noise_scale = mean(&|point| point.noise_scale);
        let wander = grid
            .iter()
            .zip(&weights)
            .fold(Wander::default(), |sum, (point, w)| sum.plus(w / total, point.wander));
        let duration_s = self.rows.end_s[self.len() - 1] - self.rows.start_s[0];
        let over_a2 = wander.move_a2(0.0, duration_s);
        let spread = mean(&|point| (point.wander.move_a2(0.0, duration_s) - over_a2).powi(2));
        let wander_df = student(over_a2, spread).1;
        let likely = grid
            .iter()
            .zip(&weights)
            .map(|(point, weight)| (weight / total, point))
            .filter(|(weight, _)| *weight > LEAST_WEIGHT)
            .map(|(weight, point)| {
                let (normal, off) = point.sums.solution(shape);
                Likely { weight, normal, off }
            })
            .collect();
        self.of_columns(shape).at(noise_scale, wander, wander_df, likely)
    }

    /// False for a zero that moves by more than all levels do: lines on wrong steps ask for such.
    fn is_sane(&self, shape: &[usize], sums: &Sums) -> bool {
        let (_, beta) = sums.solution(shape);
        let (first_s, last_s) = (self.rows.middle_s(0), self.rows.middle_s(self.len() - 1));
        let moved_a = |(at, &j): (usize, &usize)| match self.columns[j] {
            Column::Drift => beta[at].abs() * (last_s - first_s),
            Column::Bow => beta[at].abs(),
            _ => 0.0,
        };
        let most_a = shape.iter().enumerate().map(moved_a).fold(0.0, f64::max);
        most_a <= ABSURD * self.span_a()
    }

    /// From the lowest level to the highest, ampere.
    fn span_a(&self) -> f64 {
        self.level_a.iter().copied().fold(f64::MIN, f64::max)
            - self.level_a.iter().copied().fold(f64::MAX, f64::min)
    }

    fn at(
        self,
        noise_scale: f64,
        wander: Wander,
        wander_df: Option<f64>,
        mut likely: Vec<Likely>,
    ) -> Fit {
        let whitener = Whitener::new(&self.rows, noise_scale, wander);
        let white_x: Vec<Vec<f64>> = self
            .x
            .iter()
            .map(|column| {
                let mut white = column.clone();
                whitener.whiten(&mut white);
                white
            })
            .collect();
        let mut white_y = self.level_a.clone();
        whitener.whiten(&mut white_y);
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let p = white_x.len();
        let matrix = DMatrix::from_fn(p, p, |i, j| dot(&white_x[i], &white_x[j]));
        let rhs = DVector::from_fn(p, |i, _| dot(&white_x[i], &white_y));
        let normal = Normal::new(&matrix);
        let mut beta = normal.solve(&rhs);
        for each in &mut likely {
            each.off -= &beta;
        }
        let mut fit = Fit {
            design: self,
            beta: beta.clone(),
            normal,
            whitener,
            white_x,
            noise_scale,
            wander,
            wander_df,
            likely,
        };
        // A draw cannot be negative; one that clearly is, is a source, and stays.
        let consumer = |j: usize| {
            matches!(fit.design.columns[j], Column::Load(_) | Column::Base)
                && beta[j] > -3.0 * fit.variance(&fit.unit(j)).sqrt()
        };
        let free: Vec<bool> = (0..p).map(|j| !consumer(j)).collect();
        if (0..p).any(|j| !free[j] && beta[j] < 0.0) {
            beta = non_negative(&matrix, &rhs, &free);
            fit.beta = beta;
        }
        fit
    }
}

impl Fit {
    /// The combination that is coefficient `j` alone.
    pub(super) fn unit(&self, j: usize) -> DVector<f64> {
        DVector::from_fn(self.beta.len(), |i, _| if i == j { 1.0 } else { 0.0 })
    }

    /// Column of something.
    pub(super) fn column(&self, what: Column) -> Option<usize> {
        self.design.columns.iter().position(|column| *column == what)
    }

    /// Variance of `aᵀβ` from noise, rounding (taken as independent) and the zero's wander, ampere².
    pub(super) fn variance(&self, a: &DVector<f64>) -> f64 {
        a.dot(&self.normal.solve(a)).max(0.0)
    }

    /// That variance with its degrees of freedom, the variance components being estimated: the error
    /// is a mixture over their likely values, each with a variance and an estimate of its own.
    pub(super) fn estimated_variance(&self, a: &DVector<f64>) -> (f64, Option<f64>) {
        let total: f64 = self.likely.iter().map(|each| each.weight).sum();
        let (mut second, mut fourth) = (0.0, 0.0);
        for Likely { weight, normal, off } in &self.likely {
            let within = a.dot(&normal.solve(a)).max(0.0);
            let between = a.dot(off).powi(2);
            let share = weight / total;
            second += share * (within + between);
            fourth += share * (3.0 * within * within + between * (6.0 * within + between));
        }
        student(second, fourth / 3.0 - second * second)
    }

    /// Weights `c` with `aᵀβ = Σ c_k level_k`.
    pub(super) fn weights(&self, a: &DVector<f64>) -> Vec<f64> {
        let g = self.normal.solve(a);
        let n = self.design.len();
        let white: Vec<f64> = (0..n)
            .map(|k| self.white_x.iter().zip(g.iter()).map(|(x, g)| x[k] * g).sum())
            .collect();
        self.whitener.adjoint(&white)
    }

    /// `Σ_j x_jk β_j` over the columns that `keep` asks for.
    pub(super) fn part(&self, k: usize, keep: impl Fn(Column) -> bool) -> f64 {
        self.design
            .columns
            .iter()
            .enumerate()
            .filter(|(_, column)| keep(**column))
            .map(|(j, _)| self.design.x[j][k] * self.beta[j])
            .sum()
    }

    /// Level less everything fitted, ampere.
    pub(super) fn residuals_a(&self) -> Vec<f64> {
        (0..self.design.len()).map(|k| self.design.level_a[k] - self.part(k, |_| true)).collect()
    }

    /// Zero (offset, drift and wander) under every level as the whole fit has it, ampere.
    pub(super) fn zero_a(&self) -> Vec<f64> {
        let mut white = self.residuals_a();
        let residuals = white.clone();
        self.whitener.whiten(&mut white);
        let pull = self.whitener.adjoint(&white);
        (0..self.design.len())
            .map(|k| {
                let noise = self.design.rows.independent_a2(k, self.noise_scale) * pull[k];
                self.part(k, |c| matches!(c, Column::Offset | Column::Drift | Column::Bow))
                    + residuals[k]
                    - noise
            })
            .collect()
    }
}
