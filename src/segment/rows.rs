//! The whitened rows of one window, and the decays that fit them.

use super::decay::{self, LANES, Tails};
use super::equations::{COLUMNS, Columns, Walk};
use super::memo::Products;
use crate::capture::TimeAxis;

/// Time constants of the decays tried first, as shares of the window.
const DECAYS: [f64; 8] = [0.015, 0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0];

/// What nearer time constants may explain beyond the tried ones, as a share of the square sum about a
/// constant: of a true decay, a time constant √2 too large or too small leaves `1 − 4√2/(1 + √2)²`.
const NEARER: f64 = 0.03;

/// The rows of one window's normal equations.
pub(super) struct Rows {
    pub(super) columns: Columns,
    pub(super) after_break: Vec<bool>,
    pub(super) rho: f64,
    pub(super) walk: Option<Walk>,
    pub(super) gram: [[f64; COLUMNS]; COLUMNS],
    pub(super) pool: usize,
    pub(super) span_s: f64,
    /// Times from the first row on, where they are not even.
    pub(super) from_first_s: Vec<f64>,
}

impl Rows {
    /// What the window says on any background but a decay.
    pub(super) fn products(&self) -> Products {
        Products { gram: self.gram, rows: self.columns.n, decays: None }
    }

    /// Residual square sums on a constant and the decay that fits best, without a jump and with one.
    /// `far` tells whether the first square sum leaves a jump, with the second, so much evidence that
    /// it is decided.
    pub(super) fn decays(
        &self,
        time: &TimeAxis,
        g: &[[f64; COLUMNS]; COLUMNS],
        far: impl FnOnce(f64, f64) -> bool,
    ) -> [f64; 2] {
        let products = [g[0][0], g[4][0], g[4][4], g[5][0], g[5][4], g[5][5]];
        let white = [0, 4, 5].map(|column| self.columns.white(column));
        let tails = Tails::new(
            self.columns.raw(0),
            white,
            self.rho,
            &self.after_break,
            self.walk.as_ref(),
            products,
        );
        let [level, jump] = tails.level();
        let worth = |[bare, _]: [f64; 2]| !far((bare - NEARER * level).max(0.0), jump);
        decay::least(&DECAYS, worth, |shares| {
            let rates = shares.map(|share| -1.0 / (share * self.span_s));
            match time {
                // Blocks are evenly spaced: each is the one before, decayed once more.
                TimeAxis::Uniform { interval_s, .. } => {
                    let once = rates.map(|rate| (rate * interval_s * self.pool as f64).exp());
                    let mut next = [1.0; LANES];
                    tails.misfits(|_| {
                        let now = next;
                        next.iter_mut().zip(once).for_each(|(next, once)| *next *= once);
                        now
                    })
                }
                TimeAxis::Listed(_) => {
                    tails.misfits(|k| rates.map(|rate| (rate * self.from_first_s[k]).exp()))
                }
            }
        })
    }
}
