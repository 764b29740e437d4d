//! From a file's bytes to text in UTF-8: compression and encoding.

use std::borrow::Cow;
use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek, Write};

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

use super::careful::LONGEST_LINE;
use crate::fault::InputFault;
use crate::findings::{Caution, Decision};

/// A compressed file may not unpack to more.
const LARGEST_UNPACKED: u64 = 1 << 30;

/// Unpacked bytes held in memory; more go to a temporary file.
const HELD: usize = 16 << 20;

/// What the first bytes say the file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wrapping {
    Plain,
    Gzip,
    Zstd,
    Zip,
    /// A spreadsheet: zip (xlsx, ods) or a compound file (xls).
    Spreadsheet,
}

/// Tells the wrapping by magic numbers (RFC 1952, RFC 8878, APPNOTE 4.3.7), never by the file's name.
pub(super) fn wrapping(bytes: &[u8]) -> Wrapping {
    wrapping_of(bytes, Cursor::new(bytes))
}

/// As [`wrapping`], of a file whose `first` bytes are known.
pub(super) fn wrapping_of(first: &[u8], from: impl Read + Seek) -> Wrapping {
    match first {
        [0x1F, 0x8B, 8, ..] => Wrapping::Gzip,
        [0x28, 0xB5, 0x2F, 0xFD, ..] => Wrapping::Zstd,
        [b'P', b'K', 3, 4, ..] | [b'P', b'K', 5, 6, ..] => {
            if is_spreadsheet(from) {
                Wrapping::Spreadsheet
            } else {
                Wrapping::Zip
            }
        }
        [0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1, ..] => Wrapping::Spreadsheet,
        _ => Wrapping::Plain,
    }
}

fn is_spreadsheet(from: impl Read + Seek) -> bool {
    let Ok(archive) = zip::ZipArchive::new(BufReader::new(from)) else { return false };
    archive
        .file_names()
        .take(10_000)
        .filter_map(Result::ok)
        .any(|name| matches!(&*name, "xl/workbook.xml" | "xl/workbook.bin" | "content.xml"))
}

/// What a compressed file unpacked to.
pub(super) enum Unpacked {
    Memory(Vec<u8>),
    /// In a file without a name, gone with this program.
    Spilled(File, usize),
}

impl Unpacked {
    /// All of it in memory.
    pub(super) fn whole(self, file: &str) -> Result<Vec<u8>, InputFault> {
        match self {
            Self::Memory(bytes) => Ok(bytes),
            Self::Spilled(mut spilled, len) => {
                let mut bytes = Vec::with_capacity(len);
                spilled
                    .rewind()
                    .and_then(|()| spilled.read_to_end(&mut bytes))
                    .map_err(|error| unspilled(file, &error))?;
                Ok(bytes)
            }
        }
    }
}

/// Unpacks what is compressed, to memory when small and to a temporary file when large; `None` for what is not
/// compressed.
///
/// # Errors
/// When the archive is damaged, holds other than one file, or unpacks beyond bounds.
pub(super) fn unpack(
    file: &str,
    wrapping: Wrapping,
    from: impl Read + Seek,
    decisions: &mut Vec<Decision>,
) -> Result<Option<Unpacked>, InputFault> {
    let damaged = |error: std::io::Error| {
        InputFault::of_file(
            file,
            format!("the compressed data is damaged or cut off ({error})"),
            "compress the capture again, or give it uncompressed",
        )
    };
    let (unpacked, form) = match wrapping {
        Wrapping::Gzip => {
            let decoder = flate2::bufread::MultiGzDecoder::new(BufReader::new(from));
            (bounded(file, decoder, damaged)?, "gzip")
        }
        Wrapping::Zstd => {
            let decoder = zstd::stream::read::Decoder::new(from).map_err(damaged)?;
            (bounded(file, decoder, damaged)?, "zstd")
        }
        Wrapping::Zip => (unzip(file, from, damaged)?, "zip"),
        Wrapping::Plain | Wrapping::Spreadsheet => return Ok(None),
    };
    decisions.push(Decision {
        what: "compression".to_owned(),
        chosen: form.to_owned(),
        why: "by its first bytes".to_owned(),
        option: None,
    });
    Ok(Some(unpacked))
}

fn unspilled(file: &str, error: &std::io::Error) -> InputFault {
    InputFault::of_file(
        file,
        format!("it unpacks to more than fits a temporary file ({error})"),
        "make room where temporary files go, or unpack it first and give the plain file",
    )
}

fn unzip(
    file: &str,
    from: impl Read + Seek,
    damaged: impl Fn(std::io::Error) -> InputFault,
) -> Result<Unpacked, InputFault> {
    let mut archive = zip::ZipArchive::new(BufReader::new(from)).map_err(|error| {
        InputFault::of_file(
            file,
            format!("a zip archive or a workbook that is damaged or cut off ({error})"),
            "copy the file again, or save the workbook or pack the capture again",
        )
    })?;
    let names: Vec<String> = archive
        .file_names()
        .filter_map(Result::ok)
        .filter(|name| {
            !name.ends_with('/')
                && !name.starts_with("__MACOSX/")
                && !name.rsplit('/').next().is_some_and(|n| n.starts_with('.'))
        })
        .map(|name| name.into_owned())
        .take(50)
        .collect();
    let [name] = names.as_slice() else {
        let list =
            names.iter().take(8).map(|n| super::columns::shown(n)).collect::<Vec<_>>().join(", ");
        return Err(InputFault::of_file(
            file,
            if names.is_empty() {
                "an empty archive".to_owned()
            } else {
                format!("an archive of {} files: {list}", names.len())
            },
            "unpack it and give one capture",
        ));
    };
    let entry = archive.by_name(name).map_err(|error| {
        InputFault::of_file(
            file,
            format!("the archive's file cannot be unpacked ({error})"),
            "unpack it and give the capture itself",
        )
    })?;
    bounded(file, entry, damaged)
}

/// Reads all that `from` unpacks to, within bounds of size and of line length.
fn bounded(
    file: &str,
    mut from: impl Read,
    damaged: impl Fn(std::io::Error) -> InputFault,
) -> Result<Unpacked, InputFault> {
    let mut piece = Vec::new();
    let mut spilled: Option<File> = None;
    let mut len = 0_u64;
    loop {
        let held = piece.len();
        from.by_ref().take(LONGEST_LINE as u64).read_to_end(&mut piece).map_err(&damaged)?;
        let fresh = &piece[held..];
        if fresh.is_empty() {
            break;
        }
        if len == 0 && matches!(wrapping(fresh), Wrapping::Gzip | Wrapping::Zstd | Wrapping::Zip) {
            return Err(InputFault::of_file(
                file,
                "an archive inside an archive",
                "unpack it first",
            ));
        }
        len += fresh.len() as u64;
        if fresh.len() == LONGEST_LINE
            && !(spilled.is_none() && piece.starts_with(b"PK"))
            && memchr::memchr2(b'\n', b'\r', fresh).is_none()
        {
            return Err(too_long(file, None));
        }
        if len > LARGEST_UNPACKED {
            return Err(InputFault::of_file(
                file,
                format!("the compressed data unpacks to more than {} MiB", LARGEST_UNPACKED >> 20),
                "unpack it first and give the plain file",
            ));
        }
        // A workbook is read from memory.
        if piece.len() > HELD && !piece.starts_with(b"PK") {
            let to = match &mut spilled {
                Some(to) => to,
                none => none.insert(tempfile::tempfile().map_err(|e| unspilled(file, &e))?),
            };
            to.write_all(&piece).map_err(|error| unspilled(file, &error))?;
            piece.clear();
        }
    }
    let Some(mut spilled) = spilled else { return Ok(Unpacked::Memory(piece)) };
    spilled.write_all(&piece).map_err(|error| unspilled(file, &error))?;
    let len = usize::try_from(len).map_err(|_| too_long(file, None))?;
    Ok(Unpacked::Spilled(spilled, len))
}

pub(super) fn too_long(file: &str, line: Option<u64>) -> InputFault {
    let mut fault = InputFault::of_file(
        file,
        format!("a line of more than {} MiB", LONGEST_LINE >> 20),
        "this is no table of rows: export the readings one a line",
    );
    fault.place.line = line;
    fault
}

/// Decodes to UTF-8 without byte order mark: BOM, UTF-16 by its pattern of zeros, strict UTF-8, windows-1252 when every high
/// byte is one that measuring software writes, and then a statistical guess.
///
/// # Errors
/// When `label` names no encoding, or the bytes are no text.
pub(super) fn decode<'a>(
    file: &str,
    bytes: &'a [u8],
    label: Option<&str>,
    decisions: &mut Vec<Decision>,
    cautions: &mut Vec<Caution>,
) -> Result<Cow<'a, [u8]>, InputFault> {
    let head = &bytes[..bytes.len().min(1 << 20)];
    let (encoding, why) = match label {
        Some(label) => {
            let encoding = Encoding::for_label(label.trim().as_bytes()).ok_or_else(|| {
                InputFault::of_file(
                    file,
                    format!("--encoding \"{}\" is no known encoding", super::columns::shown(label)),
                    "give a label such as utf-8, utf-16le, windows-1252, iso-8859-2, shift_jis",
                )
            })?;
            (encoding, "given by --encoding")
        }
        None => guess(head),
    };
    if label.is_none() && encoding != UTF_16LE && encoding != UTF_16BE && is_binary(head) {
        return Err(InputFault::of_file(
            file,
            "binary data, not text",
            "export the readings as text (CSV) or as a spreadsheet; --encoding overrules this",
        ));
    }
    decisions.push(Decision {
        what: "encoding".to_owned(),
        chosen: encoding.name().to_owned(),
        why: why.to_owned(),
        option: Some(format!("--encoding {}", encoding.name().to_ascii_lowercase())),
    });
    let body = strip_bom(bytes, encoding);
    let text: Cow<'a, [u8]> = if encoding == UTF_8 {
        Cow::Borrowed(body)
    } else {
        let (text, damaged) = encoding.decode_without_bom_handling(body);
        if damaged && label.is_some() {
            cautions.push(Caution::new(
                "encoding-damaged",
                format!(
                    "some bytes are no {}; they are shown as \u{fffd}: overrule with --encoding",
                    encoding.name()
                ),
            ));
        }
        match text {
            Cow::Borrowed(text) => Cow::Borrowed(text.as_bytes()),
            Cow::Owned(text) => Cow::Owned(text.into_bytes()),
        }
    };
    // Zeros are what is left where power failed while writing.
    if memchr::memchr(0, &text).is_some() {
        let zeros = memchr::memchr_iter(0, &text).count();
        cautions.push(Caution::new(
            "nul-bytes",
            format!("{zeros} NUL bytes were passed over; the file may be damaged there"),
        ));
        let kept: Vec<u8> = text.iter().copied().filter(|b| *b != 0).collect();
        return Ok(Cow::Owned(kept));
    }
    Ok(text)
}

/// A small text in another encoding than UTF-8, and the encoding that its bytes speak for; `None` for UTF-8,
/// damaged or not, and for what is no text.
pub(super) fn other_text(bytes: &[u8]) -> Option<(String, &'static str)> {
    let (encoding, _) = guess(bytes);
    // Characters of UTF-8 do not come about by chance.
    let holds_utf8 = || bytes.utf8_chunks().any(|chunk| !chunk.valid().is_ascii());
    let wide = encoding == UTF_16LE || encoding == UTF_16BE;
    if encoding == UTF_8 || (!wide && (is_binary(bytes) || holds_utf8())) {
        return None;
    }
    let (text, damaged) = encoding.decode_without_bom_handling(strip_bom(bytes, encoding));
    (!damaged).then(|| (text.into_owned(), encoding.name()))
}

/// Whether a label names UTF-8.
pub(super) fn is_utf8(label: &str) -> bool {
    Encoding::for_label(label.trim().as_bytes()) == Some(UTF_8)
}

/// Tells the encoding of a text whose start is plain UTF-8; `None` when it is not.
pub(super) fn tell_plain_utf8(
    head: &[u8],
    bom: bool,
    given: bool,
    decisions: &mut Vec<Decision>,
) -> Option<()> {
    let (encoding, why) = guess(&head[..head.len().min(1 << 20)]);
    let is_utf8 = || head.is_ascii() || std::str::from_utf8(cut_to_character(head)).is_ok();
    if encoding != UTF_8 || is_binary(head) || !is_utf8() {
        return None;
    }
    decisions.push(Decision {
        what: "encoding".to_owned(),
        chosen: "UTF-8".to_owned(),
        why: match (given, bom) {
            (true, _) => "given by --encoding",
            (_, true) => "the file starts with a byte order mark",
            _ => why,
        }
        .to_owned(),
        option: Some("--encoding utf-8".to_owned()),
    });
    Some(())
}

fn strip_bom<'a>(bytes: &'a [u8], encoding: &'static Encoding) -> &'a [u8] {
    match Encoding::for_bom(bytes) {
        Some((found, length)) if found == encoding => &bytes[length..],
        _ => bytes,
    }
}

fn guess(head: &[u8]) -> (&'static Encoding, &'static str) {
    if let Some((encoding, _)) = Encoding::for_bom(head) {
        return (encoding, "the file starts with a byte order mark");
    }
    if let Some(encoding) = utf16_by_zeros(head) {
        return (encoding, "every other byte is zero");
    }
    if head.is_ascii() {
        return (UTF_8, "all bytes are ASCII");
    }
    if std::str::from_utf8(cut_to_character(head)).is_ok() {
        return (UTF_8, "all bytes are valid UTF-8");
    }
    let plausible =
        |b: u8| matches!(b, 0xB5 | 0xB0 | 0xB1 | 0xA0 | 0xB2 | 0xB3 | 0xD7 | 0xD8 | 0x96);
    if head.iter().filter(|b| !b.is_ascii()).all(|b| plausible(*b)) {
        return (WINDOWS_1252, "the bytes beyond ASCII are signs of units in it");
    }
    // UTF-8 with a few damaged bytes stays UTF-8.
    let good = head.utf8_chunks().filter(|c| !c.valid().is_ascii()).count();
    let bad = head.utf8_chunks().filter(|c| !c.invalid().is_empty()).count();
    if good > 4 * bad {
        return (UTF_8, "nearly all bytes are valid UTF-8");
    }
    let mut detector = chardetng::EncodingDetector::new(chardetng::Iso2022JpDetection::Deny);
    detector.feed(head, true);
    (
        detector.guess(None, chardetng::Utf8Detection::Allow),
        "a guess from the frequency of its bytes",
    )
}

/// The head without a character that its cut went through.
fn cut_to_character(head: &[u8]) -> &[u8] {
    let mut end = head.len();
    for _ in 0..3 {
        match head[..end].last() {
            Some(b) if !b.is_ascii() => {
                if std::str::from_utf8(&head[..end]).is_ok() {
                    return &head[..end];
                }
                end -= 1;
            }
            _ => break,
        }
    }
    &head[..end]
}

fn utf16_by_zeros(head: &[u8]) -> Option<&'static Encoding> {
    let pairs = head.len().min(4096) / 2;
    if pairs < 4 {
        return None;
    }
    let zeros = |odd: usize| (0..pairs).filter(|i| head[2 * i + odd] == 0).count();
    let (even, odd) = (zeros(0), zeros(1));
    if odd * 10 >= pairs * 7 && even * 10 < pairs {
        Some(UTF_16LE)
    } else if even * 10 >= pairs * 7 && odd * 10 < pairs {
        Some(UTF_16BE)
    } else {
        None
    }
}

/// How many bytes pass a test without branches, many looked at in one step.
fn count(bytes: &[u8], test: impl Fn(u8) -> bool) -> usize {
    let of = |part: &[u8]| part.iter().map(|b| u8::from(test(*b))).sum::<u8>();
    bytes.chunks(255).map(|part| usize::from(of(part))).sum()
}

fn is_binary(head: &[u8]) -> bool {
    let control = count(head, |b| {
        ((b < 0x20) & (b != 0) & !(9..=13).contains(&b) & (b != 0x1B)) | (b == 0x7F)
    });
    let zeros = memchr::memchr_iter(0, head).count();
    control * 50 > head.len()
        || (zeros * 10 > head.len() * 9 && head.len() > 64)
        || (zeros > 0 && control * 200 > head.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(bytes: &[u8]) -> (String, String) {
        let (mut decisions, mut cautions) = (Vec::new(), Vec::new());
        let text = decode("a", bytes, None, &mut decisions, &mut cautions).unwrap();
        (String::from_utf8_lossy(&text).into_owned(), decisions[0].chosen.clone())
    }

    #[test]
    fn encodings_in_their_order() {
        assert_eq!(decoded(b"I (\xB5A)"), ("I (µA)".to_owned(), "windows-1252".to_owned()));
        assert_eq!(decoded("\u{feff}I (µA)".as_bytes()), ("I (µA)".to_owned(), "UTF-8".to_owned()));
        let utf16: Vec<u8> = "time;I (µA)".encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(decoded(&utf16), ("time;I (µA)".to_owned(), "UTF-16LE".to_owned()));
        let utf16: Vec<u8> = "\u{feff}time".encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!(decoded(&utf16), ("time".to_owned(), "UTF-16BE".to_owned()));
        assert_eq!(
            decoded(b"Stromst\xE4rke;Gr\xF6\xDFe f\xFCr die Messung").0,
            "Stromstärke;Größe für die Messung"
        );
    }

    #[test]
    fn what_is_too_large_for_memory_comes_back_whole_from_its_file() {
        let text: Vec<u8> = (0..3_000_000).flat_map(|i| format!("{i}\n").into_bytes()).collect();
        assert!(text.len() > HELD);
        let packed = zstd::stream::encode_all(text.as_slice(), 1).unwrap();
        let unpacked = unpack("a", Wrapping::Zstd, Cursor::new(packed), &mut Vec::new()).unwrap();
        let unpacked = unpacked.unwrap();
        assert!(matches!(unpacked, Unpacked::Spilled(_, len) if len == text.len()));
        assert!(unpacked.whole("a").unwrap() == text);
    }

    #[test]
    fn a_bomb_is_refused_within_bounds() {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        std::io::copy(&mut std::io::repeat(b'7').take(40 << 20), &mut encoder).unwrap();
        let bomb = Cursor::new(encoder.finish().unwrap());
        let fault = unpack("bomb.gz", Wrapping::Gzip, bomb, &mut Vec::new()).err().unwrap();
        assert!(fault.found.contains("a line of more than"), "{fault}");
    }
}
