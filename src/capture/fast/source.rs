//! Where the bytes come from: memory, or a file that is read piece by piece.

use std::fs::File;
use std::io;
use std::ops::Range;

/// Bytes that several threads may look at, anywhere.
///
/// A file is read into buffers and not mapped: a map costs as much, its pages count as memory,
/// and a file that another program cuts short would end this one.
pub(in crate::capture) trait Source: Sync {
    /// The bytes of `range`, which lies within the length; `buffer` may be used to hold them.
    fn bytes<'a>(&'a self, range: Range<usize>, buffer: &'a mut Vec<u8>) -> io::Result<&'a [u8]>;
}

impl Source for [u8] {
    fn bytes<'a>(&'a self, range: Range<usize>, _buffer: &'a mut Vec<u8>) -> io::Result<&'a [u8]> {
        self.get(range).ok_or_else(|| io::ErrorKind::UnexpectedEof.into())
    }
}

impl Source for File {
    fn bytes<'a>(&'a self, range: Range<usize>, buffer: &'a mut Vec<u8>) -> io::Result<&'a [u8]> {
        if buffer.len() < range.len() {
            buffer.resize(range.len(), 0);
        }
        let piece = &mut buffer[..range.len()];
        read_exact_at(self, piece, range.start as u64)?;
        Ok(piece)
    }
}

#[cfg(unix)]
fn read_exact_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, buffer, offset)
}

#[cfg(windows)]
fn read_exact_at(file: &File, mut buffer: &mut [u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !buffer.is_empty() {
        match file.seek_read(buffer, offset)? {
            0 => return Err(io::ErrorKind::UnexpectedEof.into()),
            read => {
                buffer = &mut buffer[read..];
                offset += read as u64;
            }
        }
    }
    Ok(())
}
