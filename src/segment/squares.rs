//! How large the second differences of readings near one level are, edges set aside.

/// Share of squared differences kept, and the mean square of the smallest 85 % of unit Gaussian
/// values.
pub(super) const KEPT: (f64, f64) = (0.85, 0.5205);
/// The same where edges are so frequent that they reach into the 85 %.
pub(super) const KEPT_AMONG_EDGES: (f64, f64) = (0.6, 0.2146);
/// The same where bursts of a few readings have little else than edges.
const KEPT_OF_BURSTS: (f64, f64) = (0.3, 0.0485);
/// Differences a visit to a level, below which its visits are brief.
const BRIEF: u64 = 6;
/// Ratio of two of them that tells.
pub(super) const MANY_EDGES: f64 = 9.0;

/// Counts and sums of squared differences in quarter octaves.
#[derive(Clone)]
pub(super) struct Squares {
    unit: f64,
    per_unit: f64,
    zeros: u64,
    /// How often the readings came to the level.
    pub(super) visits: u64,
    cells: Box<[Cell; CELLS]>,
}

/// Squares of one quarter octave: their sum, and how many they are.
#[derive(Clone, Copy, Default)]
struct Cell {
    sum: f64,
    count: u64,
}

const OCTAVES_DOWN: i64 = 24;
const CELLS: usize = 4 * 64;

impl Squares {
    pub(super) fn new(unit: f64) -> Self {
        let cells = Box::new([Cell::default(); CELLS]);
        Self { unit, per_unit: unit.recip(), zeros: 0, visits: 0, cells }
    }

    #[inline(always)]
    pub(super) fn add(&mut self, difference: f64) {
        let square = (difference * self.per_unit) * (difference * self.per_unit);
        if square == 0.0 {
            self.zeros += 1;
            return;
        }
        // The exponent and the two leading bits of the fraction number the quarter octaves.
        let quarter = (square.to_bits() >> 50) as i64 - ((1023 - OCTAVES_DOWN) << 2);
        let cell = &mut self.cells[quarter.clamp(0, CELLS as i64 - 1) as usize];
        cell.count += 1;
        cell.sum += square;
    }

    /// Adds what another has seen.
    pub(super) fn join(&mut self, other: &Self) {
        self.zeros += other.zeros;
        self.visits += other.visits;
        for (all, cell) in self.cells.iter_mut().zip(other.cells.iter()) {
            all.count += cell.count;
            all.sum += cell.sum;
        }
    }

    pub(super) fn total(&self) -> u64 {
        self.zeros + self.cells.iter().map(|cell| cell.count).sum::<u64>()
    }

    /// Whether the readings come to the level for a few of them at a time.
    pub(super) fn is_brief(&self) -> bool {
        self.total() < BRIEF * self.visits
    }

    /// Variance of a difference. A first value comes from the smallest 85 %, or 60 % where edges
    /// abound, or 30 % of a level that is only visited briefly; the second, which rounding does not
    /// distort, is the mean square of all that lie within 4 σ (and 1.5 counts) of the first.
    pub(super) fn variance(&self) -> f64 {
        let count = self.smallest() / self.unit;
        let mut variance = self.trimmed(KEPT);
        let shares = [Some(KEPT_AMONG_EDGES), self.is_brief().then_some(KEPT_OF_BURSTS)];
        for share in shares.into_iter().flatten() {
            let fewer = self.trimmed(share);
            if fewer > 0.0 && variance > MANY_EDGES * fewer {
                variance = fewer;
            }
        }
        for _ in 0..3 {
            variance = self.mean_below(16.0 * variance + 2.25 * count * count);
        }
        variance * self.unit * self.unit
    }

    /// Mean of a share of the squares, the smallest, over what it is for a unit Gaussian.
    fn trimmed(&self, (share, mean_square): (f64, f64)) -> f64 {
        let keep = share * self.total() as f64;
        let mut left = keep - self.zeros as f64;
        let mut kept = 0.0;
        for cell in self.cells.iter() {
            if left <= 0.0 {
                break;
            }
            let count = cell.count as f64;
            kept += if count <= left { cell.sum } else { cell.sum * left / count };
            left -= count;
        }
        if keep > 0.0 { kept / keep / mean_square } else { 0.0 }
    }

    /// Smallest difference that is common: the count, where readings are rounded; next to nothing
    /// where they are not; 0 where readings hardly ever differ. An edge or a spike makes two or
    /// three like differences, and is no count.
    pub(super) fn smallest(&self) -> f64 {
        let common = 1 + self.total() / 50;
        let first = self.cells.iter().find(|cell| cell.count > common);
        first.map_or(0.0, |cell| (cell.sum / cell.count as f64).sqrt() * self.unit)
    }

    /// Mean of the squares below `most`, in squared units.
    fn mean_below(&self, most: f64) -> f64 {
        let (mut kept, mut used) = (0.0, self.zeros as f64);
        for cell in self.cells.iter() {
            let count = cell.count as f64;
            if cell.count > 0 && cell.sum <= most * count {
                kept += cell.sum;
                used += count;
            }
        }
        if used > 0.0 { kept / used } else { 0.0 }
    }
}
