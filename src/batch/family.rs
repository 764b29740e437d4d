//! Several quantities of one batch looked at together: the more are looked at, the likelier one of them
//! seems to be something by chance alone.

/// Chance that of a clean batch anything is told, a unit, a trend or a shape, whatever the number of its
/// quantities.
pub(super) const FALSE_RISK: f64 = 0.02;

/// Which of `probabilities` are below `risk` although all of them were looked at (Holm 1979,
/// Scandinavian Journal of Statistics 6, 65-70): the chance of a false one among them is `risk` at most,
/// however they hang together. `None` was not looked at. O(n log n).
pub(super) fn below(risk: f64, probabilities: &[Option<f64>]) -> Vec<bool> {
    let mut order: Vec<(usize, f64)> =
        probabilities.iter().enumerate().filter_map(|(at, p)| Some((at, (*p)?))).collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1));
    let left = |step: usize| (order.len() - step) as f64;
    let held = order.iter().enumerate().take_while(|(step, (_, p))| p * left(*step) < risk);
    let mut below = vec![false; probabilities.len()];
    held.for_each(|(_, (at, _))| below[*at] = true);
    below
}

#[cfg(test)]
mod tests {
    use super::below;

    // By hand, of four at 5 %: 0.005 and 0.01 against 0.0125 and 0.0167 hold, 0.03 against 0.025 does not
    // and ends it, though 0.04 is below 0.05. The same figures as statsmodels' `multipletests(..., "holm")`.
    #[test]
    fn steps_down_until_one_fails() {
        let p = [Some(0.01), None, Some(0.04), Some(0.03), Some(0.005)];
        assert_eq!(below(0.05, &p), [true, false, false, false, true]);
        assert_eq!(below(0.05, &[Some(0.049)]), [true]);
        assert_eq!(below(0.05, &[Some(0.026), Some(0.026)]), [false, false]);
        assert!(below(0.05, &[]).is_empty());
    }
}
