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
#[inline]
pub(super) fn number(bytes: &[u8], decimal_mark: u8) -> Option<Number> {
    let mut at = 0;
    let negative = match bytes.first()? {
        b'-' => {
            at = 1;
            true
        }
        b'+' => {
            at = 1;
            false
        }
        _ => false,
    };
    let (mut mantissa, whole) = digits(&bytes[at..]);
    at += whole;
    let mut places = 0;
    if bytes.get(at) == Some(&decimal_mark) {
        let (fraction, count) = digits(&bytes[at + 1..]);
        places = count;
        at += 1 + count;
        mantissa = mantissa.wrapping_mul(INTEGER_POWERS[count]).wrapping_add(fraction);
    }
    let ended = bytes
        .get(at)
        .is_none_or(|next| !matches!(next, b'0'..=b'9' | b'e' | b'E') && *next != decimal_mark);
    // 18 digits cannot have wrapped round.
    if !ended || mantissa > EXACT_INTEGERS || whole + places > 18 || whole + places == 0 {
        return by_library(bytes, decimal_mark);
    }
    let magnitude = mantissa as f64 / EXACT_POWERS[places];
    let value = if negative { -magnitude } else { magnitude };
    Some(Number { value, len: at, decimals: places as i32 })
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
    // Digits become 0…9; adding 0x76 carries into the top bit of any byte that is not one.
    let digits = u64::from_le_bytes(*eight) ^ 0x3030_3030_3030_3030;
    let others = (digits.wrapping_add(0x7676_7676_7676_7676) | digits) & 0x8080_8080_8080_8080;
    let count = (others.trailing_zeros() / 8) as usize;
    if count == 0 {
        return (0, 0);
    }
    // Shifted so that the last digit is the top byte and zeros stand before the first.
    let digits = digits << (64 - 8 * count);
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let mask = 0x0000_00ff_0000_00ff;
    let high = (pairs & mask).wrapping_mul(0x000f_4240_0000_0064);
    let low = ((pairs >> 16) & mask).wrapping_mul(0x0000_2710_0000_0001);
    (high.wrapping_add(low) >> 32, count)
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
        #![proptest_config(ProptestConfig::with_cases(3000))]

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
