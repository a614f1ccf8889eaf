//! The functions of the language, each with how many arguments it takes.
//!
//! Source: <http://hl7.org/fhirpath/N1/#functions>, <http://hl7.org/fhir/R4/fhirpath.html#functions>.

#![expect(clippy::unnecessary_wraps, reason = "one signature for every function")]

use std::fmt;
use std::ops::RangeInclusive;

use super::eval::{Frame, integer, text, truth};
use super::item::Item;
use super::{Answer, Env, Fault, Node};

mod collection;
mod convert;
mod fhir;
mod math;
mod set;
mod string;
pub(super) mod view;

/// Makes the answer from what the function is called on.
type Run = for<'c, 'v> fn(&Call<'c, 'v>, Vec<Item<'v>>) -> Answer<'v>;

/// A function.
pub(super) struct Entry {
    pub(super) name: &'static str,
    pub(super) arguments: RangeInclusive<usize>,
    pub(super) run: Run,
}

impl fmt::Debug for Entry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name)
    }
}

const fn entry(name: &'static str, arguments: RangeInclusive<usize>, run: Run) -> Entry {
    Entry { name, arguments, run }
}

/// The function of that name; those of view definitions only where such an expression is read.
pub(super) fn find(name: &str, of_view: bool) -> Option<&'static Entry> {
    let all: [&'static [Entry]; 6] = [
        collection::FUNCTIONS,
        set::FUNCTIONS,
        string::FUNCTIONS,
        math::FUNCTIONS,
        convert::FUNCTIONS,
        fhir::FUNCTIONS,
    ];
    let view: &'static [Entry] = if of_view { view::FUNCTIONS } else { &[] };
    all.into_iter().flatten().chain(view).find(|entry| entry.name == name)
}

/// A call in its place.
pub(super) struct Call<'c, 'v> {
    pub(super) env: &'c Env<'v>,
    pub(super) frame: &'c Frame<'c, 'v>,
    pub(super) arguments: &'v [Node],
}

impl<'v> Call<'_, 'v> {
    /// The argument at that position, as the place of the call sees it; nothing where it is absent.
    fn value(&self, at: usize) -> Answer<'v> {
        match self.arguments.get(at) {
            Some(argument) => argument.eval(self.env, self.frame),
            None => Ok(Vec::new()),
        }
    }

    /// The argument at that position, as one item sees it.
    fn of(&self, at: usize, item: &Item<'v>, index: usize) -> Answer<'v> {
        self.on(at, Some(item), Some(index))
    }

    /// The same, where there may be no item.
    fn on(&self, at: usize, this: Option<&Item<'v>>, index: Option<usize>) -> Answer<'v> {
        match self.arguments.get(at) {
            Some(argument) => {
                let frame = Frame { this, index, total: self.frame.total };
                argument.eval(self.env, &frame)
            }
            None => Ok(Vec::new()),
        }
    }

    /// Whether the condition at that position holds of the item; none where it does not say.
    fn holds(&self, at: usize, item: &Item<'v>, index: usize) -> Result<Option<bool>, Fault> {
        truth(&self.of(at, item, index)?)
    }

    fn text(&self, at: usize) -> Result<Option<String>, Fault> {
        Ok(text(&self.value(at)?)?.map(str::to_owned))
    }

    fn integer(&self, at: usize) -> Result<Option<i64>, Fault> {
        integer(&self.value(at)?)
    }
}

fn bool<'v>(value: bool) -> Answer<'v> {
    Ok(vec![Item::Bool(value)])
}

/// The answer of what may be absent.
fn maybe(item: Option<Item<'_>>) -> Answer<'_> {
    Ok(item.into_iter().collect())
}
