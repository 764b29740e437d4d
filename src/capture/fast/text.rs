//! A short text that is copied about.

/// Longest text that is remembered.
pub(in crate::capture) const TEXT: usize = 40;

/// A text of up to [`TEXT`] bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::capture) struct Text([u8; TEXT], usize);

impl Text {
    pub(in crate::capture) const EMPTY: Self = Self([0; TEXT], 0);

    /// `None` for a longer text.
    pub(in crate::capture) fn of(bytes: &[u8]) -> Option<Self> {
        let mut text = Self::EMPTY;
        text.0.get_mut(..bytes.len())?.copy_from_slice(bytes);
        text.1 = bytes.len();
        Some(text)
    }

    #[inline(always)]
    pub(in crate::capture) fn bytes(&self) -> &[u8] {
        &self.0[..self.1]
    }
}
