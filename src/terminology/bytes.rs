//! Lists of numbers and texts as bytes, and back: the parts of the kept form of a code system.
//!
//! Each list stands behind its length. What is read may be of any origin: what does not fit is an
//! error, never a guess. The form is our own and no interchange format.

use super::TerminologyError;

/// Bytes in the making.
#[derive(Default)]
pub(super) struct Writer(Vec<u8>);

impl Writer {
    /// Bytes as they are, without their length.
    pub(super) fn raw(&mut self, bytes: &[u8]) {
        self.0.extend_from_slice(bytes);
    }

    /// A text or other bytes.
    pub(super) fn bytes(&mut self, bytes: &[u8]) {
        let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        self.raw(&length.to_le_bytes());
        self.raw(bytes);
    }

    /// Numbers.
    pub(super) fn words(&mut self, words: impl Iterator<Item = u32> + Clone) {
        let length = u64::try_from(words.clone().count()).unwrap_or(u64::MAX);
        self.raw(&length.saturating_mul(4).to_le_bytes());
        words.for_each(|word| self.0.extend_from_slice(&word.to_le_bytes()));
    }

    /// All of it.
    pub(super) fn finish(self) -> Vec<u8> {
        self.0
    }
}

/// Bytes being read.
pub(super) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// The next text or other bytes.
    pub(super) fn bytes(&mut self) -> Result<&'a [u8], TerminologyError> {
        let (length, rest) = self.0.split_first_chunk::<8>().ok_or_else(damaged)?;
        let length = usize::try_from(u64::from_le_bytes(*length)).map_err(|_| damaged())?;
        let (bytes, rest) = rest.split_at_checked(length).ok_or_else(damaged)?;
        self.0 = rest;
        Ok(bytes)
    }

    /// The next text.
    pub(super) fn text(&mut self) -> Result<&'a str, TerminologyError> {
        std::str::from_utf8(self.bytes()?).map_err(|_| damaged())
    }

    /// The next numbers.
    pub(super) fn words(&mut self) -> Result<Vec<u32>, TerminologyError> {
        self.rows(|[word]| word)
    }

    /// The next numbers, `N` for each row.
    pub(super) fn rows<const N: usize, T>(
        &mut self,
        row: impl Fn([u32; N]) -> T,
    ) -> Result<Vec<T>, TerminologyError> {
        let (words, rest) = self.bytes()?.as_chunks::<4>();
        let (rows, more) = words.as_chunks::<N>();
        if !rest.is_empty() || !more.is_empty() {
            return Err(damaged());
        }
        Ok(rows.iter().map(|words| row(words.map(u32::from_le_bytes))).collect())
    }

    /// Whether everything was read.
    pub(super) fn is_at_end(&self) -> bool {
        self.0.is_empty()
    }
}

/// That the bytes are not what was written.
pub(super) fn damaged() -> TerminologyError {
    TerminologyError::invalid("the kept form of a code system is damaged")
}
