//! Rows that share a stamp.

use crate::findings::Caution;

/// Rows that share a stamp are spread evenly up to the next stamp; the first row moves where its group began before
/// its stamp.
pub(super) fn spread(time: &mut [f64], sessions: &[usize], cautions: &mut Vec<Caution>) {
    let n = time.len();
    let mut groups: Vec<(usize, usize)> = Vec::new();
    let mut repeats = 0_usize;
    let mut start = 0;
    for at in 1..=n {
        if at == n || time[at] != time[start] {
            if at - start > 1 {
                repeats += at - start - 1;
                groups.push((start, at));
            }
            start = at;
        }
    }
    if groups.is_empty() {
        return;
    }
    // The commonest spacing inside a group that is followed at once by another stamp.
    let mut spacings: Vec<f64> = groups
        .iter()
        .filter(|(_, end)| *end < n && !sessions.contains(end))
        .map(|(start, end)| (time[*end] - time[*start]) / (end - start) as f64)
        .collect();
    if spacings.is_empty() {
        return;
    }
    let middle = spacings.len() / 2;
    let typical = *spacings.select_nth_unstable_by(middle, f64::total_cmp).1;
    for &(start, end) in &groups {
        let count = end - start;
        let stamp = time[start];
        let ahead = if end < n { time[end] - stamp } else { f64::INFINITY };
        let room = if end < n && !sessions.contains(&end) {
            ahead
        } else {
            ahead.min(typical * count as f64)
        };
        let step = if room > 3.0 * typical * count as f64 { typical } else { room / count as f64 };
        // A first group that began before its stamp is cut off at its front.
        let late = if start == 0
            && end < n
            && (count as f64) * typical < 0.9 * room
            && room <= 3.0 * typical * count as f64
        {
            room - typical * count as f64
        } else {
            0.0
        };
        let step = if late > 0.0 { typical } else { step };
        for (k, t) in time[start..end].iter_mut().enumerate() {
            *t = stamp + late + step * k as f64;
        }
    }
    if repeats * 20 > n {
        cautions.push(Caution::new(
            "clock-repeats",
            format!("{repeats} rows carry the same time as the row before; rows of one stamp were spread evenly up to the next"),
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ReadOptions, Silent, read_bytes};

    /// Whole-second stamps, four rows in each but the first, which the capture entered late: by both paths.
    #[test]
    fn a_first_second_that_was_entered_late_starts_at_zero() {
        for quote in ["", "\""] {
            let mut text = format!("time,current_A\n2026-03-14 21:15:00,{quote}0.118{quote}\n");
            for row in 3..51 {
                text += &format!("2026-03-14 21:15:{:02},0.117\n", row / 4);
            }
            let read =
                read_bytes("late", text.into_bytes(), &ReadOptions::default(), &Silent).unwrap();
            assert_eq!(read.samples.len(), 49);
            for at in 0..49 {
                assert!((read.samples.time.at(at) - 0.25 * at as f64).abs() < 1e-9, "{at}");
            }
            assert_eq!(read.start.unwrap().to_string(), "2026-03-14T21:15:00.5");
        }
    }
}
