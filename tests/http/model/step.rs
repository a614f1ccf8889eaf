//! What a client may do next, drawn at random.

use proptest::prelude::*;

/// One step; subjects are named by a number that is taken modulo how many there are.
#[derive(Clone, Debug)]
pub(crate) enum Step {
    /// A write of one resource.
    Write(Write),
    /// Several in one transaction; a broken one has an entry that cannot be carried out.
    Transaction { writes: Vec<Write>, broken: bool },
    /// A create, if nothing has the key.
    ConditionalCreate(Content),
    /// An update of what has the key.
    ConditionalUpdate(Content),
    /// A delete of what has the key.
    ConditionalDelete { key: u8 },
    /// A read of the current version.
    Read { subject: usize },
    /// A read of some version.
    Vread { subject: usize, version: usize },
    /// A history.
    History { subject: usize },
    /// A search for those of a name.
    Search { family: u8 },
}

/// A write of one resource.
#[derive(Clone, Debug)]
pub(crate) enum Write {
    /// Under an id of the server's.
    Create(Content),
    /// Under an id of the client's, over whatever stands there.
    Update { subject: usize, content: Content, knows: Knows },
    /// A change of name and number.
    Patch { subject: usize, family: u8, how: How, knows: Knows },
    /// A deletion.
    Delete { subject: usize, knows: Knows },
}

/// What may be chosen of a resource; a number of its own tells each version from all others.
#[derive(Clone, Debug)]
pub(crate) struct Content {
    /// The name.
    pub(crate) family: u8,
    /// The key of conditional interactions.
    pub(crate) key: u8,
}

/// What the client says to know of the version.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Knows {
    /// Nothing.
    Nothing,
    /// The number of the last version.
    Last,
    /// The number of another version.
    Another,
}

/// The format of a patch.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum How {
    /// JSON Patch.
    Json,
    /// A JSON Patch whose last operation is a test that does not hold.
    JsonUnfit,
    /// FHIRPath Patch.
    FhirPath,
}

fn content() -> impl Strategy<Value = Content> {
    (0..3u8, 0..4u8).prop_map(|(family, key)| Content { family, key })
}

fn knows() -> impl Strategy<Value = Knows> {
    prop_oneof![4 => Just(Knows::Nothing), 2 => Just(Knows::Last), 1 => Just(Knows::Another)]
}

fn how() -> impl Strategy<Value = How> {
    prop_oneof![3 => Just(How::Json), 1 => Just(How::JsonUnfit), 3 => Just(How::FhirPath)]
}

fn write() -> impl Strategy<Value = Write> {
    let subject = 0..12usize;
    prop_oneof![
        2 => content().prop_map(Write::Create),
        4 => (subject.clone(), content(), knows())
            .prop_map(|(subject, content, knows)| Write::Update { subject, content, knows }),
        3 => (subject.clone(), 0..3u8, how(), knows())
            .prop_map(|(subject, family, how, knows)| Write::Patch { subject, family, how, knows }),
        3 => (subject, knows()).prop_map(|(subject, knows)| Write::Delete { subject, knows }),
    ]
}

/// Any step.
pub(crate) fn step() -> impl Strategy<Value = Step> {
    let subject = 0..12usize;
    prop_oneof![
        8 => write().prop_map(Step::Write),
        3 => (proptest::collection::vec(write(), 1..5), proptest::bool::weighted(0.3))
            .prop_map(|(writes, broken)| Step::Transaction { writes, broken }),
        1 => content().prop_map(Step::ConditionalCreate),
        2 => content().prop_map(Step::ConditionalUpdate),
        1 => (0..4u8).prop_map(|key| Step::ConditionalDelete { key }),
        1 => subject.clone().prop_map(|subject| Step::Read { subject }),
        1 => (subject.clone(), 0..8usize)
            .prop_map(|(subject, version)| Step::Vread { subject, version }),
        1 => subject.prop_map(|subject| Step::History { subject }),
        2 => (0..3u8).prop_map(|family| Step::Search { family }),
    ]
}
