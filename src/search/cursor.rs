//! Cursors: where a page ends, as opaque text for a link.
//!
//! A cursor holds the last match's place in the order, never a count, so that what others write
//! meanwhile neither repeats nor hides a match. It also holds the commit that the first page saw:
//! matches that have changed since then keep the place that they had.

use crate::fhir::Id;
use crate::search::Error;
use crate::store::Seq;

/// A place in the order of the matches.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Cursor {
    /// For each key of the order, the value of the match; none: it has none.
    pub place: Vec<Option<Vec<u8>>>,
    /// The match's id.
    pub id: Id,
    /// Whether the page is the one before the place.
    pub backward: bool,
    /// The commit that the first page saw.
    pub seen: Seq,
    /// Where it stands among matches of the same place; no part of the text.
    pub tie: Tie,
}

/// Where a cursor stands among matches of the same place.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub enum Tie {
    /// Where its id says.
    #[default]
    At,
    /// Before all of them: it is that of a type which comes earlier.
    Before,
    /// After all of them: it is that of a type which comes later.
    After,
}

const FORWARD: u8 = b'n';
const BACKWARD: u8 = b'p';

impl Cursor {
    /// The text for a link: letters and digits only.
    pub fn to_text(&self) -> String {
        let mut bytes = self.seen.to_be_bytes().to_vec();
        let mut push = |part: &[u8]| {
            bytes.extend(u16::try_from(part.len()).unwrap_or(u16::MAX).to_be_bytes());
            bytes.extend(part);
        };
        push(self.id.as_str().as_bytes());
        for value in &self.place {
            let tagged = value.as_ref().map(|value| [&[1], value.as_slice()].concat());
            push(&tagged.unwrap_or_default());
        }
        let head = if self.backward { BACKWARD } else { FORWARD };
        let mut text = String::from(char::from(head));
        for byte in bytes {
            text.extend(
                [byte >> 4, byte & 15]
                    .map(|half| char::from_digit(u32::from(half), 16).unwrap_or('0')),
            );
        }
        text
    }

    /// Reads a link's text.
    ///
    /// # Errors
    /// [`Error::BadCursor`] for a text that [`Cursor::to_text`] does not make.
    pub fn parse(text: &str) -> Result<Self, Error> {
        Self::read(text).ok_or(Error::BadCursor)
    }

    fn read(text: &str) -> Option<Self> {
        let (head, digits) = text.split_at_checked(1)?;
        let backward = match head.as_bytes() {
            [FORWARD] => false,
            [BACKWARD] => true,
            _ => return None,
        };
        let halves = digits.chars().map(|digit| digit.to_digit(16)).collect::<Option<Vec<_>>>()?;
        let (pairs, []) = halves.as_chunks::<2>() else { return None };
        let bytes = pairs.iter().map(|[high, low]| u8::try_from(high << 4 | low).ok());
        let bytes = bytes.collect::<Option<Vec<u8>>>()?;
        let (seen, mut rest) = bytes.split_first_chunk::<8>()?;
        let mut parts = Vec::new();
        while !rest.is_empty() {
            let (length, after) = rest.split_first_chunk::<2>()?;
            let (part, after) = after.split_at_checked(usize::from(u16::from_be_bytes(*length)))?;
            parts.push(part);
            rest = after;
        }
        let (id, place) = parts.split_first()?;
        let place = place.iter().map(|part| match part.split_first() {
            None => Some(None),
            Some((1, value)) => Some(Some(value.to_vec())),
            Some(_) => None,
        });
        Some(Self {
            place: place.collect::<Option<_>>()?,
            id: Id::parse(std::str::from_utf8(id).ok()?)?,
            backward,
            seen: Seq::from_be_bytes(*seen),
            tie: Tie::At,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_back() {
        let id = Id::parse("a.1").unwrap();
        for place in [vec![], vec![None], vec![Some(vec![]), None, Some(vec![0, 255])]] {
            for backward in [false, true] {
                let (place, id) = (place.clone(), id.clone());
                let cursor = Cursor { place, id, backward, seen: 7, tie: Tie::At };
                let text = cursor.to_text();
                assert!(text.bytes().all(|byte| byte.is_ascii_alphanumeric()), "{text}");
                assert_eq!(Cursor::parse(&text).unwrap(), cursor);
            }
        }
    }

    #[test]
    fn anything_else_is_refused() {
        let id = Id::parse("a").unwrap();
        let good = Cursor { place: vec![], id, backward: false, seen: 1, tie: Tie::At }.to_text();
        let ends = (0..good.len()).filter_map(|end| good.get(..end)).map(str::to_owned);
        let odd = ["x", "né", "nzz", "n0000000000000001000100", "n00000000000000010001610001ff"];
        for text in ends.chain(odd.map(str::to_owned)) {
            assert!(Cursor::parse(&text).is_err(), "{text}");
        }
    }
}
