//! What each load truly draws, from its states and what is done to it.

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::scenario::{Action, Load, Pulses, State};

/// Past this many time constants a tail counts as over: e⁻²⁵ is 10⁻¹¹.
const TAIL_LENGTHS: f64 = 25.0;

/// A load in one state, from entering it to leaving it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stretch {
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    /// `None` for off.
    pub(super) state: Option<usize>,
    /// Index of the action that began it; `None` when the load did so by itself.
    pub(super) action: Option<usize>,
    target_a: f64,
    /// What it has yet to settle, with its time constant.
    settling: Option<(f64, f64)>,
    surge: Option<(f64, f64)>,
    grows_a_per_h: f64,
}

impl Stretch {
    /// Draw `since_s` after entering, pulses aside.
    fn draw_a(&self, since_s: f64) -> f64 {
        let dying =
            |part: Option<(f64, f64)>| part.map_or(0.0, |(a, tau)| a * (-since_s / tau).exp());
        self.target_a
            + dying(self.settling)
            + dying(self.surge)
            + self.grows_a_per_h * since_s / 3600.0
    }

    /// Charge from entering to `since_s` after it, coulomb, pulses aside.
    fn charge_c(&self, since_s: f64) -> f64 {
        let dying = |part: Option<(f64, f64)>| {
            part.map_or(0.0, |(a, tau)| -a * tau * (-since_s / tau).exp_m1())
        };
        self.target_a * since_s
            + dying(self.settling)
            + dying(self.surge)
            + self.grows_a_per_h * since_s * since_s / 7200.0
    }
}

/// One excursion above a state's draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pulse {
    pub(super) start_s: f64,
    pub(super) width_s: f64,
    pub(super) above_a: f64,
    tail_s: f64,
    /// Where it is cut off: the next pulse or the end of the state.
    cut_s: f64,
    pub(super) state: usize,
}

impl Pulse {
    fn draw_a(&self, t: f64) -> f64 {
        let past = t - self.start_s - self.width_s;
        if t < self.start_s || t >= self.cut_s {
            0.0
        } else if past < 0.0 {
            self.above_a
        } else if self.tail_s > 0.0 {
            self.above_a * (-past / self.tail_s).exp()
        } else {
            0.0
        }
    }

    /// Charge from its start to `t`, coulomb.
    pub(super) fn charge_c(&self, t: f64) -> f64 {
        let since = t.min(self.cut_s) - self.start_s;
        if since <= 0.0 {
            return 0.0;
        }
        let past = since - self.width_s;
        let tail = if past > 0.0 && self.tail_s > 0.0 {
            -self.tail_s * (-past / self.tail_s).exp_m1()
        } else {
            0.0
        };
        self.above_a * (since.min(self.width_s) + tail)
    }

    /// From here on it adds nothing.
    fn over_s(&self) -> f64 {
        self.cut_s.min(self.start_s + self.width_s + TAIL_LENGTHS * self.tail_s)
    }
}

/// The true draw of one load over a capture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Track {
    /// Gapless, in order.
    pub(super) stretches: Vec<Stretch>,
    /// In order, none overlapping.
    pub(super) pulses: Vec<Pulse>,
}

impl Track {
    /// Draw at `t`. O(log(states + pulses)).
    pub(super) fn draw_a(&self, t: f64) -> f64 {
        let at = self.stretches.partition_point(|stretch| stretch.start_s <= t);
        let Some(stretch) = at.checked_sub(1).map(|at| &self.stretches[at]) else { return 0.0 };
        let steady = stretch.draw_a(t - stretch.start_s);
        let at = self.pulses.partition_point(|pulse| pulse.start_s <= t);
        let pulse = at.checked_sub(1).map_or(0.0, |at| self.pulses[at].draw_a(t));
        steady + pulse
    }

    /// Charge between two moments, coulomb, in closed form. O(log(states + pulses)), and what lies
    /// between.
    pub(super) fn charge_c(&self, from_s: f64, to_s: f64) -> f64 {
        let first = self.stretches.partition_point(|s| s.end_s <= from_s);
        let between = self.stretches[first..].iter().take_while(|s| s.start_s < to_s);
        let stretches = between.map(|s| {
            let (a, b) = (from_s.max(s.start_s), to_s.min(s.end_s));
            if b > a { s.charge_c(b - s.start_s) - s.charge_c(a - s.start_s) } else { 0.0 }
        });
        let first = self.pulses.partition_point(|p| p.over_s() <= from_s);
        let between = self.pulses[first..].iter().take_while(|p| p.start_s < to_s);
        let pulses = between.map(|p| p.charge_c(to_s) - p.charge_c(from_s));
        stretches.sum::<f64>() + pulses.sum::<f64>()
    }

    /// Jump of the draw at the start of stretch `i`, pulses aside.
    pub(super) fn jump_a(&self, i: usize) -> f64 {
        let (before, after) = (&self.stretches[i - 1], &self.stretches[i]);
        after.draw_a(0.0) - before.draw_a(before.end_s - before.start_s)
    }
}

/// Lives one load through `end_s` seconds. Delays and pulses draw from streams of their own.
pub(super) fn live(
    load: &Load,
    number: usize,
    actions: &[Action],
    end_s: f64,
    delays: &mut ChaCha8Rng,
    pulses: &mut ChaCha8Rng,
) -> Track {
    let mut mine =
        actions.iter().enumerate().filter(|(_, action)| action.load == number).peekable();
    let mut track = Track { stretches: Vec::new(), pulses: Vec::new() };
    let (mut now, mut state, mut cause) = (0.0, load.starts_in, None);
    while now < end_s {
        let entered = state.map(|state| &load.states[state]);
        let by_itself = entered.and_then(|state| state.then.as_ref()).and_then(|then| {
            let (luck, spread): (f64, f64) = (delays.random(), StandardNormal.sample(delays));
            let after_s = (then.after_s + then.after_sd_s * spread).max(0.1 * then.after_s);
            (luck >= then.stuck_share).then_some((now + after_s, then.state))
        });
        let by_hand = mine.peek().map(|(_, action)| action.at_s.max(now));
        let (until, next, next_cause) = match (by_itself, by_hand) {
            (Some((at, to)), hand) if hand.is_none_or(|hand| at < hand) => (at, Some(to), None),
            (_, Some(hand)) => {
                let (index, action) = mine.next().expect("peeked");
                (hand, action.to, Some(index))
            }
            (None, None) => (f64::INFINITY, None, None),
            (Some((at, to)), None) => (at, Some(to), None),
        };
        // Two actions at one moment: the last one holds.
        if until > now {
            let from_a = track.stretches.last().map_or(0.0, |s| s.draw_a(s.end_s - s.start_s));
            let stretch = enter(entered, state, cause, now, until.min(end_s), from_a);
            if let Some((state, kind)) = state.zip(entered.and_then(|state| state.pulses.as_ref()))
            {
                pulse(kind, state, &stretch, &mut track.pulses, pulses);
            }
            track.stretches.push(stretch);
        }
        (now, state, cause) = (until, next, next_cause);
    }
    track
}

fn enter(
    entered: Option<&State>,
    state: Option<usize>,
    action: Option<usize>,
    start_s: f64,
    end_s: f64,
    from_a: f64,
) -> Stretch {
    let first = start_s == 0.0;
    let target_a = entered.map_or(0.0, |state| state.draw_a);
    Stretch {
        start_s,
        end_s,
        state,
        action,
        target_a,
        settling: entered
            .and_then(|state| state.settles_s)
            .filter(|_| !first)
            .map(|tau| (from_a - target_a, tau)),
        surge: entered.and_then(|state| state.surge).filter(|_| !first),
        grows_a_per_h: entered.map_or(0.0, |state| state.grows_a_per_h),
    }
}

fn pulse(
    kind: &Pulses,
    state: usize,
    stretch: &Stretch,
    track: &mut Vec<Pulse>,
    rng: &mut ChaCha8Rng,
) {
    let mut normal = || -> f64 { StandardNormal.sample(rng) };
    let mut start_s = stretch.start_s + kind.first_after_s;
    while start_s < stretch.end_s {
        let (period, width, above) = (normal(), normal(), normal());
        let width_s = (kind.width_s + kind.width_sd_s * width).max(0.2 * kind.width_s);
        let shortest = width_s * 1.05;
        let next_s = start_s + (kind.period_s + kind.period_sd_s * period).max(shortest);
        track.push(Pulse {
            start_s,
            width_s,
            above_a: kind.above_a + kind.above_sd_a * above,
            tail_s: kind.tail_s,
            cut_s: next_s.min(stretch.end_s),
            state,
        });
        start_s = next_s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::Then;
    use approx::assert_relative_eq;
    use rand::SeedableRng;

    fn state(name: &str, draw_a: f64) -> State {
        State {
            name: name.to_owned(),
            draw_a,
            surge: None,
            settles_s: None,
            grows_a_per_h: 0.0,
            then: None,
            pulses: None,
        }
    }

    fn on(at_s: f64, to: Option<usize>) -> Action {
        Action {
            at_s,
            load: 0,
            to,
            written: true,
            written_load: String::new(),
            written_state: String::new(),
            note: None,
        }
    }

    fn live_through(states: Vec<State>, actions: &[Action], end_s: f64) -> Track {
        let load = Load { name: "a".to_owned(), powers_up_in: 0, starts_in: None, states };
        let rng = || ChaCha8Rng::seed_from_u64(4);
        live(&load, 0, actions, end_s, &mut rng(), &mut rng())
    }

    #[test]
    fn a_controller_boots_idles_and_falls_asleep() {
        let mut boot = state("boot", 0.25);
        boot.then = Some(Then { state: 1, after_s: 8.0, after_sd_s: 0.0, stuck_share: 0.0 });
        let mut idle = state("idle", 0.12);
        idle.then = Some(Then { state: 2, after_s: 30.0, after_sd_s: 0.0, stuck_share: 0.0 });
        let track = live_through(
            vec![boot, idle, state("asleep", 0.01)],
            &[on(10.0, Some(0)), on(100.0, None)],
            120.0,
        );
        let draws = [9.0, 11.0, 20.0, 50.0, 99.0, 101.0].map(|t| track.draw_a(t));
        assert_eq!(draws, [0.0, 0.25, 0.12, 0.01, 0.01, 0.0]);
        assert_relative_eq!(
            track.charge_c(0.0, 120.0),
            8.0 * 0.25 + 30.0 * 0.12 + 52.0 * 0.01,
            max_relative = 1e-12
        );
        assert_relative_eq!(track.jump_a(2), -0.13, max_relative = 1e-12);
    }

    #[test]
    fn charge_in_closed_form_is_the_integral_of_the_draw() {
        let mut odd = state("odd", 0.2);
        odd.surge = Some((0.5, 3.0));
        odd.settles_s = Some(12.0);
        odd.grows_a_per_h = 0.4;
        odd.pulses = Some(Pulses {
            period_s: 20.0,
            period_sd_s: 3.0,
            width_s: 2.0,
            width_sd_s: 0.3,
            above_a: 0.3,
            above_sd_a: 0.05,
            tail_s: 0.7,
            first_after_s: 5.0,
        });
        let track = live_through(
            vec![odd, state("low", 0.05)],
            &[on(5.0, Some(1)), on(30.0, Some(0)), on(150.0, None)],
            200.0,
        );
        let (from, to, n) = (33.3, 171.7, 2_000_000);
        let dt = (to - from) / f64::from(n);
        let midpoints: f64 =
            (0..n).map(|i| track.draw_a(from + (f64::from(i) + 0.5) * dt) * dt).sum();
        assert_relative_eq!(track.charge_c(from, to), midpoints, max_relative = 1e-5);
        assert!(track.pulses.len() >= 5);
    }

    #[test]
    fn settling_starts_from_the_draw_before() {
        let mut slow = state("slow", 1.0);
        slow.settles_s = Some(10.0);
        let track = live_through(
            vec![state("fast", 0.4), slow],
            &[on(1.0, Some(0)), on(5.0, Some(1))],
            60.0,
        );
        assert_relative_eq!(track.jump_a(2), 0.0, epsilon = 1e-12);
        assert_relative_eq!(track.draw_a(15.0), 1.0 - 0.6 * (-1.0_f64).exp(), max_relative = 1e-12);
    }

    #[test]
    fn a_stuck_state_never_ends() {
        let mut idle = state("idle", 0.1);
        idle.then = Some(Then { state: 1, after_s: 5.0, after_sd_s: 1.0, stuck_share: 1.0 });
        let track = live_through(vec![idle, state("asleep", 0.0)], &[on(1.0, Some(0))], 1000.0);
        assert_eq!(track.draw_a(999.0), 0.1);
    }
}
