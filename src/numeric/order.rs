//! Values in order.

use std::cmp::Ordering;

/// The order of values none of which is NaN: a third of the work of `total_cmp`, as zeros have no sign.
#[inline(always)]
pub(crate) fn rising(a: &f64, b: &f64) -> Ordering {
    if a < b {
        Ordering::Less
    } else if a > b {
        Ordering::Greater
    } else {
        Ordering::Equal
    }
}

/// Sorts `N` values, a power of two, none of which is NaN, by Batcher's bitonic network (1968): as no branch depends
/// on the values, none is mispredicted. O(N log² N).
pub(crate) fn sort_few<const N: usize>(values: &mut [f64; N]) {
    const { assert!(N.is_power_of_two()) };
    let order = |(low, high): (&mut f64, &mut f64)| {
        (*low, *high) = if *high < *low { (*high, *low) } else { (*low, *high) };
    };
    let mut size = 2;
    while size <= N {
        for part in values.chunks_exact_mut(size) {
            let (low, high) = part.split_at_mut(size / 2);
            low.iter_mut().zip(high.iter_mut().rev()).for_each(order);
        }
        let mut half = size / 4;
        while half > 0 {
            for part in values.chunks_exact_mut(2 * half) {
                let (low, high) = part.split_at_mut(half);
                low.iter_mut().zip(high).for_each(order);
            }
            half /= 2;
        }
        size *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Zeros and ones in every order suffice (the 0-1 principle; Knuth, vol. 3, 5.3.4).
    #[test]
    fn sixteen_values_are_sorted_in_any_order() {
        for bits in 0..1_u32 << 16 {
            let mut values: [f64; 16] = std::array::from_fn(|at| f64::from(bits >> at & 1));
            sort_few(&mut values);
            assert!(values.is_sorted(), "{bits:b}");
            assert_eq!(values.iter().sum::<f64>(), f64::from(bits.count_ones()));
        }
    }

    #[test]
    fn sixty_four_values_are_sorted_like_any_others() {
        proptest::proptest!(|(values: [i16; 64])| {
            let mut few = values.map(f64::from);
            let mut sorted = values;
            sorted.sort_unstable();
            sort_few(&mut few);
            proptest::prop_assert_eq!(few, sorted.map(f64::from));
        });
    }
}
