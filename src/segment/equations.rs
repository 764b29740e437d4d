//! The normal equations of a jump test: columns divided by their noise and whitened, their products,
//! and least squares on some of them.

/// Constant, line, square and cube of the time, jump, readings.
pub(super) const COLUMNS: usize = 6;

/// Regressors and readings, column by column: divided by their σ, and whitened.
pub(super) struct Columns {
    pub(super) n: usize,
    /// Whether anybody asks for the cubic term.
    cubic: bool,
    /// First the columns as they are, then whitened; there may be more than they take.
    pub(super) cells: Vec<f64>,
}

/// The cubic term's column.
const CUBE: usize = 3;

impl Columns {
    /// In `cells` that may have been used before.
    pub(super) fn new(n: usize, cubic: bool, mut cells: Vec<f64>) -> Self {
        if cells.len() < 2 * COLUMNS * n {
            cells.resize(2 * COLUMNS * n, 0.0);
        }
        Self { n, cubic, cells }
    }

    fn is_used(&self, column: usize) -> bool {
        self.cubic || column != CUBE
    }

    /// 1/σ of each row, to be written before the columns are filled: the constant's column.
    pub(super) fn scale(&mut self) -> &mut [f64] {
        &mut self.cells[..self.n]
    }

    /// Powers of the time, the jump at row `jump`, and the readings, all times the scale.
    pub(super) fn fill(
        &mut self,
        jump: usize,
        times: impl Iterator<Item = f64>,
        values: impl Iterator<Item = f64>,
    ) {
        let mut columns = self.cells.chunks_exact_mut(self.n);
        let mut next = || columns.next().unwrap_or_default();
        let [scale, line, square, cube, jumped, value] = [(); COLUMNS].map(|()| next());
        let scale = &*scale;
        jumped[..jump].fill(0.0);
        jumped[jump..].copy_from_slice(&scale[jump..]);
        for ((value, new), scale) in value.iter_mut().zip(values).zip(scale) {
            *value = new * scale;
        }
        for (line, t) in line.iter_mut().zip(times) {
            *line = t;
        }
        let powers = line.iter_mut().zip(square.iter_mut()).zip(cube.iter_mut()).zip(scale);
        for (((line, square), cube), scale) in powers {
            let t = *line;
            (*line, *square, *cube) = (t * scale, t * t * scale, t * t * t * scale);
        }
    }

    pub(super) fn raw(&self, column: usize) -> &[f64] {
        &self.cells[column * self.n..][..self.n]
    }

    pub(super) fn white(&self, column: usize) -> &[f64] {
        self.raw(COLUMNS + column)
    }

    pub(super) fn whiten(&mut self, rho: f64, fresh: &[bool]) {
        let cubic = self.cubic;
        for column in (0..COLUMNS).filter(|column| cubic || *column != CUBE) {
            let (raw, white) = self.cells.split_at_mut(COLUMNS * self.n);
            let here = column * self.n..(column + 1) * self.n;
            whiten(&raw[here.clone()], rho, fresh, &mut white[here]);
        }
    }

    /// Whitens once more, for a background that walks beside the noise: `q` is the variance that it
    /// gains from row to row, ampere². The columns have been whitened already; the constant's tells
    /// what a row sees of a level. O(n).
    pub(super) fn follow(&mut self, q: f64) -> Walk {
        let walk = Walk::of(self.white(0), q);
        let cubic = self.cubic;
        for column in (0..COLUMNS).filter(|column| cubic || *column != CUBE) {
            let here = (COLUMNS + column) * self.n;
            walk.whiten(&mut self.cells[here..here + self.n]);
        }
        walk
    }

    /// Gram matrix of the whitened columns, its lower half.
    pub(super) fn gram(&self) -> [[f64; COLUMNS]; COLUMNS] {
        let mut gram = [[0.0; COLUMNS]; COLUMNS];
        for i in (0..COLUMNS).filter(|i| self.is_used(*i)) {
            for j in (0..=i).filter(|j| self.is_used(*j)) {
                gram[i][j] = dot(self.white(i), self.white(j));
            }
        }
        gram
    }
}

/// `w_k = (v_k − ρ v_{k−1}) / √(1 − ρ²)`, the first and those after a gap as they are.
fn whiten(raw: &[f64], rho: f64, fresh: &[bool], white: &mut [f64]) {
    if rho == 0.0 {
        white.copy_from_slice(raw);
        return;
    }
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

/// The Kalman filter of a random walk seen through rows of unit noise, starting at 0: its gains do not
/// depend on the readings.
///
/// With P the variance of the level before row k, which sees h of it: `F = h² P + 1`, gain `P h/F`,
/// and P becomes `P/F + q`. The innovations over √F are white.
pub(super) struct Walk {
    rows: Vec<Row>,
}

/// One row of the filter.
#[derive(Debug, Clone, Copy)]
struct Row {
    sees: f64,
    gain: f64,
    unit: f64,
}

impl Walk {
    pub(super) fn of(sees: &[f64], q: f64) -> Self {
        let mut p = 0.0;
        let row = |sees: &f64| {
            let f = sees * sees * p + 1.0;
            let row = Row { sees: *sees, gain: p * sees / f, unit: 1.0 / f.sqrt() };
            p = p / f + q;
            row
        };
        Self { rows: sees.iter().map(row).collect() }
    }

    pub(super) fn whiten(&self, column: &mut [f64]) {
        let mut level = [0.0];
        for (k, white) in column.iter_mut().enumerate() {
            [*white] = self.innovation(k, &mut level, [*white]);
        }
    }

    /// Innovations of row `k` for several columns at once, over their standard deviation; `level` is
    /// what the rows before made of each.
    #[inline(always)]
    pub(super) fn innovation<const N: usize>(
        &self,
        k: usize,
        level: &mut [f64; N],
        white: [f64; N],
    ) -> [f64; N] {
        let Row { sees, gain, unit } = self.rows[k];
        std::array::from_fn(|lane| {
            let new = white[lane] - sees * level[lane];
            level[lane] += gain * new;
            new * unit
        })
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
pub(super) fn left_over(columns: &Columns, gram: &[[f64; COLUMNS]; COLUMNS]) -> f64 {
    let Some(beta) = solve(gram, [0, 1, 4]) else { return 0.0 };
    let [constant, line, jump, value] = [0, 1, 4, 5].map(|column| columns.raw(column));
    let rest: Vec<f64> = value
        .iter()
        .zip(constant.iter().zip(line.iter().zip(jump)))
        .map(|(value, (c, (t, j)))| value - beta[0] * c - beta[1] * t - beta[2] * j)
        .collect();
    let (squares, products) = (dot(&rest, &rest), dot(&rest[1..], &rest[..rest.len() - 1]));
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

/// Residual square sums of the readings on some columns.
pub(super) struct Fit {
    /// Without the jump.
    pub(super) bare: f64,
    /// With it, its coefficient, and its standard error for unit noise; `None` where it depends on
    /// the others.
    pub(super) jump: Option<(f64, f64, f64)>,
}

/// The fit on the first `P` columns, `N` being `P + 2`, by the Cholesky factor of the normal
/// equations. `None` when the columns are dependent.
pub(super) fn fit<const P: usize, const N: usize>(gram: &[[f64; COLUMNS]; COLUMNS]) -> Option<Fit> {
    // After the columns the jump, and the readings last.
    let place = |i: usize| if i < P { i } else { COLUMNS + i - N };
    let mut l = [[0.0f64; N]; N];
    let mut dependent = false;
    for i in 0..N - 1 {
        for j in 0..=i {
            let mut sum = 0.0;
            for k in 0..j {
                sum += l[i][k] * l[j][k];
            }
            let sum = gram[place(i)][place(j)] - sum;
            if i > j {
                l[i][j] = sum / l[j][j];
                continue;
            }
            if sum <= 1e-10 * gram[place(i)][place(i)] {
                if i < P {
                    return None;
                }
                dependent = true;
            }
            l[i][i] = sum.sqrt();
        }
    }
    let mut along = [0.0f64; N];
    for j in 0..N - 1 {
        let mut sum = 0.0;
        for k in 0..j {
            sum += along[k] * l[j][k];
        }
        along[j] = (gram[COLUMNS - 1][place(j)] - sum) / l[j][j];
    }
    let squares: f64 = along[..P].iter().map(|a| a * a).sum();
    let value = gram[COLUMNS - 1][COLUMNS - 1];
    let bare = (value - squares).max(0.0);
    let jump = (!dependent).then(|| {
        let with = (value - (squares + along[P] * along[P])).max(0.0);
        // The jump is the last regressor: back substitution stops at once.
        (with, along[P] / l[P][P], 1.0 / l[P][P])
    });
    Some(Fit { bare, jump })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use nalgebra::DMatrix;

    /// The normal equations of columns that follow a walk are those of generalised least squares with
    /// the walk's covariance, inverted as a whole.
    #[test]
    fn columns_that_follow_a_walk_have_its_covariance() {
        let (n, rho, q) = (40, 0.3, 0.7);
        let fresh: Vec<bool> = (0..n).map(|k| k == 29).collect();
        let scale: Vec<f64> = (0..n).map(|k| if k < 17 { 1.0 } else { 0.4 }).collect();
        let value = |k: usize| (k as f64 * 0.754_877_666).fract() + 0.1 * k as f64;
        let mut columns = Columns::new(n, true, Vec::new());
        let times = (0..n).map(|k| k as f64 / n as f64 - 0.4);
        columns.scale().copy_from_slice(&scale);
        columns.fill(17, times, (0..n).map(value));
        columns.whiten(rho, &fresh);
        let white = DMatrix::from_fn(n, COLUMNS, |k, column| columns.white(column)[k]);
        let walk = DMatrix::from_fn(n, n, |i, j| {
            white[(i, 0)] * q * i.min(j) as f64 * white[(j, 0)] + f64::from(u8::from(i == j))
        });
        let whole = white.transpose() * walk.try_inverse().unwrap() * &white;
        columns.follow(q);
        let gram = columns.gram();
        for i in 0..COLUMNS {
            for j in 0..=i {
                assert_relative_eq!(
                    gram[i][j],
                    whole[(i, j)],
                    max_relative = 1e-9,
                    epsilon = 1e-12
                );
            }
        }
    }
}
