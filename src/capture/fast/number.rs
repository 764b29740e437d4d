//! Decimal numbers from bytes: the same `f64` as `str::parse`, a few nanoseconds each.

/// A number at the start of some bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    /// Its value, finite.
    pub(super) value: f64,
    /// Bytes it took.
    pub(super) len: usize,
    /// Digits after the decimal mark, less the exponent: the value is printed to 10^−decimals.
    pub(super) decimals: i32,
}

/// `f64` holds every whole number up to here.
const EXACT_INTEGERS: u64 = 1 << 53;

/// Powers of ten that `f64` holds exactly.
const EXACT_POWERS: [f64; 17] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16];

const INTEGER_POWERS: [u64; 17] = {
    let mut powers = [1; 17];
    let mut i = 1;
    while i < 17 {
        powers[i] = 10 * powers[i - 1];
        i += 1;
    }
    powers
};

/// Reads the number that `bytes` start with: sign, digits, decimal mark, digits, exponent.
/// `None` when there is none or it is not finite.
///
/// A whole number up to 2⁵³ divided by a power of ten up to 10²² is correctly rounded
/// (Clinger 1990, PLDI, 92-101), and that is nearly every reading; everything else goes to
/// `fast-float2`.
#[inline(always)]
pub(super) fn number(bytes: &[u8], decimal_mark: u8) -> Option<Number> {
    let signed = usize::from(matches!(bytes.first()?, b'-' | b'+'));
    let (mantissa, places, len) = match short(&bytes[signed..], decimal_mark) {
        Some(short) => short,
        None => match long(&bytes[signed..], decimal_mark) {
            Some(long) => long,
            None => return by_library(bytes, decimal_mark),
        },
    };
    // Up to 2⁵³ it has no sign bit, and processors convert signed numbers at once.
    let magnitude = mantissa as i64 as f64 / EXACT_POWERS[places];
    let value = if bytes[0] == b'-' { -magnitude } else { magnitude };
    Some(Number { value, len: signed + len, decimals: places as i32 })
}

/// Digits with a decimal mark among them, at most eight bytes: whole number, digits after the
/// mark, and length. `None` for anything else.
#[inline(always)]
fn short(bytes: &[u8], decimal_mark: u8) -> Option<(u64, usize, usize)> {
    let eight = bytes.first_chunk::<9>()?;
    let digits = u64::from_le_bytes(*eight.first_chunk()?) ^ ZEROS;
    let others = not_digits(digits);
    let mark = (others.trailing_zeros() / 8) as usize;
    if mark == 8 || eight[mark] != decimal_mark {
        return None;
    }
    let others = others & (others - 1);
    let len = (others.trailing_zeros() / 8) as usize;
    let next = eight[len];
    // At eight bytes the number may go on.
    if len < 2 || next.is_ascii_digit() || next == decimal_mark || (next | 0x20) == b'e' {
        return None;
    }
    let before = (1 << (8 * mark)) - 1;
    let joined = (digits & before) | ((digits >> 8) & !before);
    Some((value_of(joined << (72 - 8 * len)), len - mark - 1, len))
}

/// As [`short`], up to sixteen digits on each side of a mark that may be missing.
#[inline]
fn long(bytes: &[u8], decimal_mark: u8) -> Option<(u64, usize, usize)> {
    let (mut mantissa, mut len) = digits(bytes);
    let whole = len;
    let mut places = 0;
    if bytes.get(len) == Some(&decimal_mark) {
        let (fraction, count) = digits(&bytes[len + 1..]);
        places = count;
        len += 1 + count;
        mantissa = mantissa.wrapping_mul(INTEGER_POWERS[count]).wrapping_add(fraction);
    }
    let ended = bytes
        .get(len)
        .is_none_or(|next| !matches!(next, b'0'..=b'9' | b'e' | b'E') && *next != decimal_mark);
    // 18 digits cannot have wrapped round.
    let exact = mantissa <= EXACT_INTEGERS && (1..=18).contains(&(whole + places));
    (ended && exact).then_some((mantissa, places, len))
}

/// Value and count of the digits at the start, at most sixteen.
#[inline]
fn digits(bytes: &[u8]) -> (u64, usize) {
    let (first, count) = up_to_eight_digits(bytes);
    if count < 8 {
        return (first, count);
    }
    let (second, more) = up_to_eight_digits(&bytes[8..]);
    (first * INTEGER_POWERS[more] + second, 8 + more)
}

/// Value and count of the digits at the start, at most eight.
#[inline]
fn up_to_eight_digits(bytes: &[u8]) -> (u64, usize) {
    let Some(eight) = bytes.first_chunk::<8>() else {
        let count = bytes.iter().take(8).take_while(|byte| byte.is_ascii_digit()).count();
        let value = bytes[..count].iter().fold(0, |v, byte| v * 10 + u64::from(byte - b'0'));
        return (value, count);
    };
    let digits = u64::from_le_bytes(*eight) ^ ZEROS;
    let count = (not_digits(digits).trailing_zeros() / 8) as usize;
    if count == 0 {
        return (0, 0);
    }
    // Shifted so that the last digit is the top byte and zeros stand before the first.
    (value_of(digits << (64 - 8 * count)), count)
}

/// Eight characters `0`; taken off by "exclusive or", digits become 0…9.
const ZEROS: u64 = 0x3030_3030_3030_3030;

/// The top bit of every byte that is no digit, right up to the first byte above 0x89 (there are
/// no such bytes in a number): adding 0x76 carries into the top bit from 10 up.
#[inline(always)]
fn not_digits(bytes: u64) -> u64 {
    (bytes.wrapping_add(0x7676_7676_7676_7676) | bytes) & 0x8080_8080_8080_8080
}

/// The number whose eight digits, as values, are the bytes, first digit lowest.
#[inline(always)]
fn value_of(digits: u64) -> u64 {
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let mask = 0x0000_00ff_0000_00ff;
    let high = (pairs & mask).wrapping_mul(0x000f_4240_0000_0064);
    let low = ((pairs >> 16) & mask).wrapping_mul(0x0000_2710_0000_0001);
    high.wrapping_add(low) >> 32
}

/// Longest text that `by_library` takes for one number.
const LONGEST: usize = 400;

#[cold]
fn by_library(bytes: &[u8], decimal_mark: u8) -> Option<Number> {
    let mut len = 0;
    let mut mark = None;
    let mut exponent = None;
    let mut digits = 0;
    for (i, byte) in bytes.iter().take(LONGEST).enumerate() {
        match byte {
            b'0'..=b'9' => digits += 1,
            b'-' | b'+' if i == 0 || exponent == Some(i - 1) => {}
            b'e' | b'E' if exponent.is_none() && digits > 0 => {
                exponent = Some(i);
                digits = 0;
            }
            byte if *byte == decimal_mark && mark.is_none() && exponent.is_none() => mark = Some(i),
            _ => break,
        }
        len = i + 1;
    }
    if digits == 0 || len == LONGEST {
        return None;
    }
    let mut text = [0; LONGEST];
    text[..len].copy_from_slice(&bytes[..len]);
    if let Some(mark) = mark {
        text[mark] = b'.';
    }
    let value: f64 = fast_float2::parse(&text[..len]).ok()?;
    let places = mark.map_or(0, |mark| exponent.unwrap_or(len) - mark - 1) as i32;
    let power = match exponent {
        Some(e) => str::from_utf8(&text[e + 1..len]).ok()?.parse::<i32>().ok()?,
        None => 0,
    };
    let decimals = places.saturating_sub(power);
    value.is_finite().then_some(Number { value, len, decimals })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn same_as_std(text: &str, mark: u8) {
        for tail in ["", ",", ";1.5", "\n", "\r\n12345678", " A"] {
            let dotted = text.to_owned();
            let bytes = format!("{}{tail}", text.replace('.', &(mark as char).to_string()));
            if mark == b',' && tail == "," {
                continue;
            }
            let expected = dotted.parse::<f64>().ok().filter(|value| value.is_finite());
            let found = number(bytes.as_bytes(), mark);
            assert_eq!(
                found.map(|n| (n.value.to_bits(), n.len)),
                expected.map(|value| (value.to_bits(), text.len())),
                "{bytes:?}"
            );
        }
    }

    proptest! {
        #![proptest_config(crate::chance::same(3000))]

        #[test]
        fn any_decimal_is_read_as_the_standard_library_reads_it(
            text in r"[-+]?[0-9]{1,10}(\.[0-9]{0,10})?([eE][-+]?[0-9]{1,3})?",
            comma in any::<bool>(),
        ) {
            same_as_std(&text, if comma { b',' } else { b'.' });
        }

        #[test]
        fn any_float_survives_printing(bits in any::<u64>()) {
            let value = f64::from_bits(bits);
            if value.is_finite() {
                same_as_std(&format!("{value:e}"), b'.');
                if value.abs() < 1e60 && value.abs() > 1e-60 {
                    same_as_std(&format!("{value}"), b',');
                }
            }
        }
    }

    #[test]
    fn edges_of_the_format() {
        for text in [
            "0",
            "-0",
            "-0.0",
            ".5",
            "5.",
            "+1",
            "12345678",
            "123456789",
            "0.123456789",
            "99999999.99999999",
            "9007199254740993",
            "1e22",
            "1e23",
            "-8E-06",
            "1E+002",
            "5e-324",
            "2.2250738585072011e-308",
            "00000000000000000000001.5",
        ] {
            same_as_std(text, b'.');
        }
    }

    #[test]
    fn what_is_no_finite_number_is_refused() {
        for text in ["", "-", "+", ".", "-.", "e5", "1e", "1e+", "nan", "inf", "1e999", "--1", "OL"]
        {
            assert_eq!(number(text.as_bytes(), b'.'), None, "{text}");
        }
        assert_eq!(number(b"1.2.3", b'.').map(|n| n.len), Some(3));
    }

    #[test]
    fn printed_digits_are_counted() {
        let decimals = |text: &str| number(text.as_bytes(), b'.').map(|n| n.decimals);
        assert_eq!(decimals("12"), Some(0));
        assert_eq!(decimals("12.50"), Some(2));
        assert_eq!(decimals("1.25e-3"), Some(5));
        assert_eq!(decimals("1.25E+003"), Some(-1));
        assert_eq!(decimals("0.1234567890"), Some(10));
    }
}
