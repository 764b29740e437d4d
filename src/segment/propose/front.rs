//! The functional cost: for every mean of the last stretch, its least cost and where it started.

/// Least cost of the values so far as a function of the last stretch's mean `µ`: pieces, each a
/// quadratic `weight (µ − mean)² + least` over an interval, side by side from `low` to `high`.
///
/// The quadratics are kept as Welford's mean and sum of squares, and relative to the least cost
/// of the step before, so that neither an offset nor a long series costs digits. One array a
/// field, as every value touches every piece.
///
/// The ends of the range change at almost every value, the middle seldom: pieces are a deque in
/// `from..to` of the arrays, and the cost at each border is carried along so that a look at it
/// tells whether a piece has to be cut.
#[derive(Debug, Clone)]
pub(super) struct Front {
    from: usize,
    to: usize,
    /// Left border; `low[to]` is the right end of the range.
    low: Vec<f64>,
    /// Cost at the left border; `value[to]` at the right end.
    value: Vec<f64>,
    weight: Vec<f64>,
    mean: Vec<f64>,
    least: Vec<f64>,
    start: Vec<u32>,
    /// Least of all `least`, and a piece that has it.
    best: f64,
    best_at: usize,
    penalty: f64,
}

/// Slots to begin with; room on both sides.
const SLOTS: usize = 64;

/// A piece on its own.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    low: f64,
    high: f64,
    weight: f64,
    mean: f64,
    least: f64,
    start: u32,
}

impl Front {
    /// Nothing seen yet; means lie between `low` and `high`.
    pub(super) fn new(low: f64, high: f64, penalty: f64) -> Self {
        let mut front = Self {
            from: SLOTS / 2,
            to: SLOTS / 2 + 1,
            low: vec![0.0; SLOTS],
            value: vec![0.0; SLOTS],
            weight: vec![0.0; SLOTS],
            mean: vec![0.0; SLOTS],
            least: vec![0.0; SLOTS],
            start: vec![0; SLOTS],
            best: 0.0,
            best_at: SLOTS / 2,
            penalty,
        };
        front.low[front.from] = low;
        front.low[front.to] = high;
        front
    }

    /// Takes the value number `t` in and returns where the best last stretch starts.
    #[inline]
    pub(super) fn add(&mut self, t: u32, value: f64, weight: f64) -> u32 {
        if t > 0 {
            self.renew(t, self.best + self.penalty);
        }
        self.update(value, weight);
        self.start[self.best_at]
    }

    /// Where a stretch that starts at `t` would cost less than `limit`, it takes over.
    #[inline]
    fn renew(&mut self, t: u32, limit: f64) {
        let (low, high) = (self.low[self.from], self.low[self.to]);
        if self.value[self.from] > limit {
            let first = self.first_kept(limit);
            self.from = first;
            if first < self.to {
                self.push_left(low, limit, t);
            }
        }
        if self.from < self.to && self.value[self.to] > limit {
            let end = self.last_kept(limit);
            self.to = end;
            if self.from < end {
                self.push_right(high, limit, t);
            }
        }
        if self.from >= self.to {
            self.only(low, high, limit, t);
        } else if self.value[self.from + 1..self.to].iter().any(|value| *value > limit) {
            self.rebuild(limit, t);
        }
    }

    /// Cuts from the left all that costs more than `limit`; the first piece that is left.
    #[inline]
    fn first_kept(&mut self, limit: f64) -> usize {
        let mut i = self.from;
        while i < self.to {
            if self.dips(i, limit) {
                let reach = ((limit - self.least[i]).max(0.0) / self.weight[i]).sqrt();
                let cut = self.mean[i] - reach;
                if cut < self.low[i + 1] && self.mean[i] + reach > self.low[i] {
                    if cut > self.low[i] {
                        self.low[i] = cut;
                        self.value[i] = limit;
                    }
                    break;
                }
            }
            i += 1;
        }
        i
    }

    /// Cuts from the right all that costs more than `limit`; the end of what is left.
    #[inline]
    fn last_kept(&mut self, limit: f64) -> usize {
        let mut end = self.to;
        while end > self.from {
            let i = end - 1;
            if self.weight[i] == 0.0 {
                break;
            }
            if self.dips(i, limit) {
                let reach = ((limit - self.least[i]).max(0.0) / self.weight[i]).sqrt();
                let cut = self.mean[i] + reach;
                if cut > self.low[i] && self.mean[i] - reach < self.low[end] {
                    if cut < self.low[end] {
                        self.low[end] = cut;
                        self.value[end] = limit;
                    }
                    break;
                }
            }
            end -= 1;
        }
        end
    }

    /// Whether a piece costs no more than `limit` somewhere: at a border, which is told without a
    /// root, or inside.
    #[inline]
    fn dips(&self, i: usize, limit: f64) -> bool {
        let inside = || self.low[i] < self.mean[i] && self.mean[i] < self.low[i + 1];
        self.value[i + 1] <= limit || self.value[i] <= limit || (self.least[i] < limit && inside())
    }

    #[inline]
    fn push_left(&mut self, low: f64, limit: f64, t: u32) {
        if self.from == 0 {
            self.widen();
        }
        self.from -= 1;
        self.low[self.from] = low;
        self.value[self.from] = limit;
        self.fresh(self.from, limit, t);
    }

    /// The border that was cut, at `to`, becomes the new piece's left one.
    #[inline]
    fn push_right(&mut self, high: f64, limit: f64, t: u32) {
        if self.to + 1 == self.low.len() {
            self.widen();
        }
        self.fresh(self.to, limit, t);
        self.to += 1;
        self.low[self.to] = high;
        self.value[self.to] = limit;
    }

    #[inline]
    fn fresh(&mut self, i: usize, limit: f64, t: u32) {
        self.weight[i] = 0.0;
        self.mean[i] = self.low[i];
        self.least[i] = limit;
        self.start[i] = t;
    }

    #[cold]
    fn only(&mut self, low: f64, high: f64, limit: f64, t: u32) {
        self.from = self.low.len() / 2;
        self.to = self.from;
        self.low[self.to] = low;
        self.value[self.to] = limit;
        self.push_right(high, limit, t);
    }

    /// More slots, the pieces in their middle.
    #[cold]
    fn widen(&mut self) {
        let (from, slots) = (self.from, self.low.len());
        let used = self.to - from + 1;
        let grown = if used > slots / 2 { 2 * slots } else { slots };
        let to = (grown - used) / 2;
        let move_all = |field: &mut Vec<f64>| {
            field.resize(grown, 0.0);
            field.copy_within(from..from + used, to);
        };
        for field in
            [&mut self.low, &mut self.value, &mut self.weight, &mut self.mean, &mut self.least]
        {
            move_all(field);
        }
        self.start.resize(grown, 0);
        self.start.copy_within(from..from + used, to);
        self.best_at = to;
        (self.from, self.to) = (to, to + used - 1);
    }

    /// The general case: some cost in the middle is above `limit`.
    #[cold]
    fn rebuild(&mut self, limit: f64, t: u32) {
        let old: Vec<Piece> = self.pieces().collect();
        let high = self.low[self.to];
        let mut kept: Vec<Piece> = Vec::with_capacity(old.len() + 2);
        let renew = |kept: &mut Vec<Piece>, low: f64, high: f64| match kept.last_mut() {
            Some(last) if last.start == t => last.high = high,
            _ => kept.push(Piece { low, high, weight: 0.0, mean: low, least: limit, start: t }),
        };
        for piece in old {
            let room = limit - piece.least;
            let reach = if room > 0.0 { (room / piece.weight).sqrt() } else { f64::NEG_INFINITY };
            let from = piece.low.max(piece.mean - reach);
            let to = piece.high.min(piece.mean + reach);
            if piece.start == t || from >= to {
                renew(&mut kept, piece.low, piece.high);
                continue;
            }
            if from > piece.low {
                renew(&mut kept, piece.low, from);
            }
            kept.push(Piece { low: from, high: to, ..piece });
            if to < piece.high {
                renew(&mut kept, to, piece.high);
            }
        }
        while self.low.len() < kept.len() + 4 {
            self.from = 0;
            self.to = self.low.len() - 1;
            self.widen();
        }
        self.from = (self.low.len() - kept.len()) / 2;
        self.to = self.from + kept.len();
        self.best_at = self.from;
        for (i, piece) in (self.from..).zip(&kept) {
            let d = piece.low - piece.mean;
            self.low[i] = piece.low;
            self.value[i] = piece.weight * d * d + piece.least;
            self.weight[i] = piece.weight;
            self.mean[i] = piece.mean;
            self.least[i] = piece.least;
            self.start[i] = piece.start;
        }
        let last = kept[kept.len() - 1];
        let d = high - last.mean;
        self.low[self.to] = high;
        self.value[self.to] = last.weight * d * d + last.least;
    }

    /// Adds `weight (µ − value)²` to every piece, from here on relative to the best of before.
    #[inline]
    fn update(&mut self, value: f64, weight: f64) {
        let (from, to, base) = (self.from, self.to, self.best);
        let count = to - from;
        let weights = &mut self.weight[from..to][..count];
        let means = &mut self.mean[from..to][..count];
        let leasts = &mut self.least[from..to][..count];
        for i in 0..count {
            let total = weights[i] + weight;
            let d = value - means[i];
            let pull = d * (weight / total);
            leasts[i] = leasts[i] - base + weights[i] * pull * d;
            means[i] += pull;
            weights[i] = total;
        }
        for (low, cost) in self.low[from..=to].iter().zip(&mut self.value[from..=to]) {
            let d = value - low;
            *cost = *cost - base + weight * d * d;
        }
        self.best = least_of(&self.least[from..to]);
        let known = self.best_at;
        if !(from..to).contains(&known) || self.least[known] != self.best {
            let at = self.least[from..to].iter().position(|least| *least == self.best);
            self.best_at = from + at.unwrap_or(0);
        }
    }

    /// The stretch through the place where two searches meet, `other` having come from the end:
    /// its start for each of them; `None` when a break at the meeting place costs less. O(pieces).
    pub(super) fn join(&self, other: &Self, penalty: f64) -> Option<(u32, u32)> {
        let (left, right): (Vec<_>, Vec<_>) = (self.pieces().collect(), other.pieces().collect());
        let (mut i, mut j) = (0, 0);
        let mut best = (self.best + other.best + penalty, None);
        while let (Some(a), Some(b)) = (left.get(i), right.get(j)) {
            let d = a.mean - b.mean;
            // The least of the sum, wherever it lies: it is the cost of a cut all the same.
            let cost = a.least + b.least + a.weight * (b.weight / (a.weight + b.weight)) * d * d;
            if cost <= best.0 && (cost < best.0 || best.1.is_none()) {
                best = (cost, Some((a.start, b.start)));
            }
            if a.high <= b.high {
                i += 1;
            } else {
                j += 1;
            }
        }
        best.1
    }

    /// The pieces in order.
    fn pieces(&self) -> impl Iterator<Item = Piece> {
        (self.from..self.to).map(|i| Piece {
            low: self.low[i],
            high: self.low[i + 1],
            weight: self.weight[i],
            mean: self.mean[i],
            least: self.least[i],
            start: self.start[i],
        })
    }
}

/// Least of some finite values, four at a time.
#[inline]
fn least_of(values: &[f64]) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let mut least = [f64::INFINITY; 4];
    for four in fours {
        for (least, value) in least.iter_mut().zip(four) {
            if *value < *least {
                *least = *value;
            }
        }
    }
    least.iter().chain(rest).fold(f64::INFINITY, |a, b| if *b < a { *b } else { a })
}
