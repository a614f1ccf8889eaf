//! The hierarchy in the kept form of a code system.

use super::{Hierarchy, Rows};
use crate::terminology::TerminologyError;
use crate::terminology::bytes::{Reader, Writer};

impl<T: Copy> Rows<T> {
    /// Writes the rows; each item as `N` numbers.
    pub(in crate::terminology) fn write<const N: usize>(
        &self,
        writer: &mut Writer,
        words: impl Fn(T) -> [u32; N] + Copy,
    ) {
        writer.words(self.starts.iter().copied());
        writer.words(self.items.iter().flat_map(|item| words(*item)));
    }

    /// Reads what [`Rows::write`] wrote.
    pub(in crate::terminology) fn read<const N: usize>(
        reader: &mut Reader<'_>,
        item: impl Fn([u32; N]) -> T,
    ) -> Result<Self, TerminologyError> {
        let starts = reader.words()?.into();
        Ok(Self { starts, items: reader.rows(item)?.into() })
    }
}

impl Hierarchy {
    /// Writes it.
    pub(in crate::terminology) fn write(&self, writer: &mut Writer) {
        self.parents.write(writer, |place| [place]);
        self.children.write(writer, |place| [place]);
        writer.words(self.ranges.iter().flat_map(|(first, last)| [*first, *last]));
        writer.words(self.places.iter().copied());
        match &self.further {
            None => writer.bytes(&[]),
            Some(further) => {
                writer.bytes(&[1]);
                further.write(writer, |(first, last)| [first, last]);
            }
        }
    }

    /// Reads what [`Hierarchy::write`] wrote.
    pub(in crate::terminology) fn read(reader: &mut Reader<'_>) -> Result<Self, TerminologyError> {
        let parents = Rows::read(reader, |[place]| place)?;
        let children = Rows::read(reader, |[place]| place)?;
        let ranges = reader.rows(|[first, last]| (first, last))?.into();
        let places = reader.words()?.into();
        let has_further = !reader.bytes()?.is_empty();
        let further =
            has_further.then(|| Rows::read(reader, |[first, last]| (first, last))).transpose()?;
        Ok(Self { parents, children, ranges, places, further })
    }
}
