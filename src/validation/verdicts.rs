//! What terminology has answered before, so that the same few codes are not looked up again.
//!
//! One table for each thread, of a fixed size: an answer drives out the one that lies in its place.
//! Answers hold for one terminology; with another the table starts anew. An answer is never taken
//! for another question: the texts are compared, not their hash.

use std::cell::RefCell;
use std::hash::Hasher;

use super::quick::Mix;

/// A question: which rule asks (a number of its own), and of which texts.
pub(super) struct Question<'q> {
    pub(super) rule: u32,
    pub(super) texts: [&'q str; 3],
}

/// What is asked of every Coding (`x-code`), with a display and without, and of every Quantity
/// (`x-unit`); bindings count on from there.
pub(super) const CODE: u32 = 0;
pub(super) const BARE_CODE: u32 = 1;
pub(super) const UNIT: u32 = 2;
pub(super) const FIRST_BINDING: u32 = 3;

struct Slot {
    rule: u32,
    texts: [Box<str>; 3],
    answer: u8,
}

struct Table {
    generation: u64,
    slots: Vec<Option<Slot>>,
}

/// A power of two.
const SLOTS: usize = 1_024;

/// Longer texts are asked each time.
const MAX_LENGTH: usize = 256;

thread_local! {
    static TABLE: RefCell<Table> = const { RefCell::new(Table { generation: 0, slots: Vec::new() }) };
}

impl Question<'_> {
    fn place(&self) -> usize {
        let mut mix = Mix::default();
        mix.write_u32(self.rule);
        self.texts.iter().for_each(|text| mix.write(text.as_bytes()));
        usize::try_from(mix.finish() % SLOTS as u64).unwrap_or(0)
    }

    fn is(&self, slot: &Slot) -> bool {
        self.rule == slot.rule && self.texts.iter().zip(&slot.texts).all(|(a, b)| **a == **b)
    }
}

/// The answer to the question in the terminology of that number: the one given before, or that of
/// `ask`, which may ask other questions.
pub(super) fn answer(generation: u64, question: &Question<'_>, ask: impl FnOnce() -> u8) -> u8 {
    if question.texts.iter().any(|text| text.len() > MAX_LENGTH) {
        return ask();
    }
    let place = question.place();
    let known = TABLE.with_borrow(|table| {
        let slot = table.slots.get(place)?.as_ref()?;
        (table.generation == generation && question.is(slot)).then_some(slot.answer)
    });
    if let Some(known) = known {
        return known;
    }
    let answer = ask();
    TABLE.with_borrow_mut(|table| {
        if table.generation != generation {
            table.generation = generation;
            table.slots.clear();
        }
        if table.slots.is_empty() {
            table.slots.resize_with(SLOTS, || None);
        }
        if let Some(slot) = table.slots.get_mut(place) {
            let texts = question.texts.map(Box::from);
            *slot = Some(Slot { rule: question.rule, texts, answer });
        }
    });
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_is_of_its_question_and_terminology() {
        let ask = |generation, rule, texts, fresh: u8| {
            answer(generation, &Question { rule, texts }, || fresh)
        };
        let (a, b) = (["s", "a", ""], ["sa", "", ""]);
        assert_eq!(ask(1, 0, a, 1), 1);
        assert_eq!(ask(1, 0, a, 2), 1, "known");
        assert_eq!(ask(1, 0, b, 3), 3, "other texts");
        assert_eq!(ask(1, 1, a, 4), 4, "another rule");
        assert_eq!(ask(2, 0, a, 5), 5, "another terminology");
        let long = "x".repeat(MAX_LENGTH + 1);
        assert_eq!(ask(2, 0, [&long, "", ""], 6), 6);
        assert_eq!(ask(2, 0, [&long, "", ""], 7), 7, "too long to be kept");
        let names: Vec<String> = (0..3 * SLOTS).map(|n| format!("code-{n}")).collect();
        for (at, name) in names.iter().enumerate().chain(names.iter().enumerate()) {
            let expected = u8::try_from(at % 251).unwrap();
            assert_eq!(ask(2, 0, ["s", name, ""], expected), expected, "more than the table holds");
        }
        assert!(TABLE.with_borrow(|table| table.slots.len()) <= SLOTS);
    }
}
