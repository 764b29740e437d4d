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

/// Digits of which it holds every number.
const EXACT_DIGITS: usize = 15;

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

/// How a number of at most sixteen digits and mark is written, for the next one: most are written like the one
/// before.
#[derive(Debug, Clone, Copy)]
pub(super) struct Like {
    eights: [Eight; 2],
    /// What the second eight's digits make of the first one's value; 0 without them.
    ten: u64,
    len: usize,
    /// The byte after it.
    next: u8,
    decimals: i32,
    divisor: f64,
}

/// How eight bytes are written.
#[derive(Debug, Clone, Copy)]
struct Eight {
    /// What is of the number: the mark, and `0` for any digit.
    text: u64,
    within: u64,
    /// Added to what is not like that, it carries into the top bit of every byte that is wrong.
    carry: u64,
    /// Bytes before the mark, and how far the last digit is from the top byte.
    before: u64,
    shift: u32,
}

impl Eight {
    /// How digits, at most eight, with a mark among them are written; `None` without any digit.
    fn of(text: &[u8], decimal_mark: u8) -> Option<Self> {
        let mark = text.iter().position(|byte| *byte == decimal_mark);
        let digits = (text.len() - usize::from(mark.is_some())) as u32;
        let within = u64::MAX >> (64 - 8 * text.len());
        let at_mark = mark.map_or(0, |mark| 0xff << (8 * mark));
        let marks = u64::from_ne_bytes([decimal_mark; 8]);
        (digits > 0).then(|| Self {
            text: (ZEROS & !at_mark | marks & at_mark) & within,
            within,
            carry: (CARRY & !at_mark | !TOP_BITS & at_mark) & within,
            before: mark.map_or(u64::MAX, |mark| (1 << (8 * mark)) - 1),
            shift: 8 * (8 - digits),
        })
    }

    /// The digits' value, where they are written so.
    #[inline(always)]
    fn value(&self, bytes: &[u8; 8]) -> Option<u64> {
        let digits = (u64::from_le_bytes(*bytes) ^ self.text) & self.within;
        let wrong = (digits.wrapping_add(self.carry) | digits) & TOP_BITS;
        let joined = (digits & self.before) | ((digits >> 8) & !self.before);
        (wrong == 0).then(|| value_of(joined << self.shift))
    }
}

impl Like {
    /// Like no number: no eight bytes are zero and begin with a digit.
    pub(super) const NONE: Self = {
        let nothing =
            Eight { text: 0, within: u64::MAX, carry: !TOP_BITS, before: u64::MAX, shift: 0 };
        Self { eights: [nothing; 2], ten: 0, len: 0, next: b'0', decimals: 0, divisor: 1.0 }
    };

    /// How `bytes`, without a sign, are written; `None` where the number has more digits than `f64` holds, or an
    /// exponent.
    fn of(bytes: &[u8], number: &Number, decimal_mark: u8) -> Option<Self> {
        let len = number.len;
        let (text, next) = (bytes.get(..len).filter(|_| len <= 16)?, *bytes.get(len)?);
        let goes_on = next.is_ascii_digit() || next == decimal_mark || (next | 0x20) == b'e';
        let marks = text.iter().filter(|byte| **byte == decimal_mark).count();
        let digits = text.iter().filter(|byte| byte.is_ascii_digit()).count();
        if goes_on || marks > 1 || digits + marks != len || digits > EXACT_DIGITS {
            return None;
        }
        let (first, second) = text.split_at(len.min(8));
        let first = Eight::of(first, decimal_mark)?;
        let eights = match second {
            [] => [first; 2],
            _ => [first, Eight::of(second, decimal_mark)?],
        };
        let more = second.iter().filter(|byte| byte.is_ascii_digit()).count();
        Some(Self {
            eights,
            ten: if more > 0 { INTEGER_POWERS[more] } else { 0 },
            len,
            next,
            decimals: number.decimals,
            divisor: EXACT_POWERS[usize::try_from(number.decimals).ok()?],
        })
    }

    /// As [`number`], sooner where it is written like the one before.
    #[inline(always)]
    pub(super) fn number(&mut self, bytes: &[u8], decimal_mark: u8) -> Option<Number> {
        let signed = usize::from(matches!(bytes.first()?, b'-' | b'+'));
        match self.mantissa(&bytes[signed..]) {
            Some(mantissa) => {
                let magnitude = mantissa as i64 as f64 / self.divisor;
                let value = if bytes[0] == b'-' { -magnitude } else { magnitude };
                Some(Number { value, len: signed + self.len, decimals: self.decimals })
            }
            None => self.another(bytes, signed, decimal_mark),
        }
    }

    /// All digits' value, where they are written so.
    #[inline(always)]
    fn mantissa(&self, bytes: &[u8]) -> Option<u64> {
        let mut mantissa = self.eights[0].value(bytes.first_chunk()?)?;
        if self.ten > 0 {
            mantissa =
                mantissa * self.ten + self.eights[1].value(bytes.get(8..)?.first_chunk()?)?;
        }
        (*bytes.get(self.len)? == self.next).then_some(mantissa)
    }

    /// A number that is written otherwise.
    #[inline(never)]
    fn another(&mut self, bytes: &[u8], signed: usize, decimal_mark: u8) -> Option<Number> {
        let found = number(bytes, decimal_mark)?;
        let unsigned = Number { len: found.len - signed, ..found };
        *self = Self::of(&bytes[signed..], &unsigned, decimal_mark).unwrap_or(*self);
        Some(found)
    }
}

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

const TOP_BITS: u64 = 0x8080_8080_8080_8080;
const CARRY: u64 = 0x7676_7676_7676_7676;

/// The top bit of every byte that is no digit, right up to the first byte above 0x89 (there are
/// no such bytes in a number): adding 0x76 carries into the top bit from 10 up.
#[inline(always)]
fn not_digits(bytes: u64) -> u64 {
    (bytes.wrapping_add(CARRY) | bytes) & TOP_BITS
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

    /// Whatever was read before, and whatever follows.
    #[test]
    fn a_number_is_the_same_after_any_other() {
        let texts = [
            "0.160432",
            "9.999999",
            "0.000001",
            "-0.160432",
            "+1.5",
            "12",
            "7",
            "0.5",
            "-12",
            "1234.567",
            "12345678",
            "1234567.",
            ".1234567",
            "0.1604321",
            "1e3",
            "1.5e-3",
            "0.16O432",
            "0x16",
            "1:160432",
            "0,160432",
            "",
            "OL",
            "-",
            "5.",
            "99999.99",
            "0.1\u{80}",
            "0.00001234",
            "-0.00001234",
            "12345678.5",
            "12345678.",
            "1234567.8",
            "123456789",
            "123456789012345",
            "0.12345678901234",
            "0.123456789012345",
            "1234567890123456",
            "12345678.12345678",
            "0.0000123e",
            "0.00001.34",
            "0.0000123-",
        ];
        let tails = [",", "\n", "\r\n", ";2.5\n", "e5,", "5,", ".,", "\0\0\0\0\0\0\0\0\0"];
        let rows = |tail: &str, text: &str| format!("{text}{tail}0.25,1.5\n").into_bytes();
        let all: Vec<Vec<u8>> =
            texts.iter().flat_map(|text| tails.iter().map(|tail| rows(tail, text))).collect();
        for mark in [b'.', b','] {
            for before in &all {
                let mut like = Like::NONE;
                assert_eq!(like.number(before, mark), number(before, mark), "{before:?}");
                for bytes in &all {
                    let mut like = like;
                    assert_eq!(
                        like.number(bytes, mark),
                        number(bytes, mark),
                        "{before:?} {bytes:?}"
                    );
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
