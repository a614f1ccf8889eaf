//! JSON text to values, strictly.
//!
//! The standard forbids what a lenient parser lets through: duplicate keys, byte order marks,
//! invalid UTF-8. Each fault is told with its place, as line and column and as an element path.
//! Numbers keep their digits (`1.00` is not `1.0`).
//! Source: <http://hl7.org/fhir/R4/json.html>, <https://www.rfc-editor.org/rfc/rfc8259>.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

pub mod compare;
pub mod position;

/// How deep arrays and objects may nest, unless the caller says otherwise.
pub const MAX_DEPTH: usize = 64;

/// A text that is not JSON as the standard wants it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{message}")]
pub struct Malformed {
    /// A sentence without the text's values.
    pub message: String,
    /// Line and column, from 1, where the text goes wrong; none for faults of the whole.
    pub position: Option<(usize, usize)>,
    /// The element path at which it goes wrong, such as `name[0].family`, where known.
    pub path: Option<String>,
}

impl Malformed {
    /// The sentence, with line and column where they are known.
    pub fn told(&self) -> String {
        match self.position {
            Some((line, column)) => format!("{} (line {line}, column {column})", self.message),
            None => self.message.clone(),
        }
    }

    fn whole(message: &str) -> Self {
        Self { message: message.to_owned(), position: None, path: None }
    }
}

/// The value as compact JSON.
pub fn bytes(value: &Value) -> Vec<u8> {
    // A value always has a JSON form; its display only takes longer to make the same text.
    serde_json::to_vec(value).unwrap_or_else(|_| value.to_string().into_bytes())
}

/// Reads one JSON value that fills the whole of `bytes`.
///
/// # Errors
/// [`Malformed`] for an empty text, a byte order mark, invalid UTF-8, a syntax fault, a duplicate
/// key, or nesting past `max_depth`.
pub fn parse(bytes: &[u8], max_depth: usize) -> Result<Value, Malformed> {
    if bytes.starts_with(b"\xEF\xBB\xBF") {
        return Err(Malformed::whole("The text starts with a byte order mark; leave it out."));
    }
    let text =
        std::str::from_utf8(bytes).map_err(|error| invalid_utf8(bytes, error.valid_up_to()))?;
    if text.trim_ascii().is_empty() {
        return Err(Malformed::whole("The body is empty; a JSON object is expected."));
    }
    let place = Place { path: RefCell::default(), fault: RefCell::default(), max_depth };
    let mut deserializer = serde_json::Deserializer::from_str(text);
    let value = Node(&place)
        .deserialize(&mut deserializer)
        .and_then(|value| deserializer.end().map(|()| value));
    value.map_err(|error| place.malformed(&error))
}

fn invalid_utf8(bytes: &[u8], at: usize) -> Malformed {
    let before = bytes.get(..at).unwrap_or_default();
    let line = before.split(|byte| *byte == b'\n').count();
    let column = before.iter().rev().take_while(|byte| **byte != b'\n').count() + 1;
    let message = "The text is not valid UTF-8.".to_owned();
    Malformed { message, position: Some((line, column)), path: None }
}

/// Members by name, null where there is none.
pub trait At {
    /// The member of that name; null for what is no object or has no such member.
    fn at(&self, name: &str) -> &Value;
}

static ABSENT: Value = Value::Null;

impl At for Value {
    fn at(&self, name: &str) -> &Value {
        self.get(name).unwrap_or(&ABSENT)
    }
}

/// Where the reader stands.
struct Place {
    path: RefCell<Vec<Step>>,
    fault: RefCell<Option<String>>,
    max_depth: usize,
}

enum Step {
    Key(String),
    Index(usize),
}

impl Place {
    fn enter(&self, step: Step) {
        self.path.borrow_mut().push(step);
    }

    fn leave(&self) {
        self.path.borrow_mut().pop();
    }

    fn text(&self) -> String {
        let mut text = String::new();
        for step in self.path.borrow().iter() {
            match step {
                // What is not like a name of FHIR may be anything, so the path ends before it.
                Step::Key(key) if !is_name(key) => break,
                Step::Key(key) if text.is_empty() => text.push_str(key),
                Step::Key(key) => text.extend([".", key]),
                Step::Index(index) => text.extend(["[", &index.to_string(), "]"]),
            }
        }
        text
    }

    fn refuse<E: serde::de::Error>(&self, message: &str) -> E {
        *self.fault.borrow_mut() = Some(message.to_owned());
        E::custom(message)
    }

    fn malformed(&self, error: &serde_json::Error) -> Malformed {
        let (line, column) = (error.line(), error.column());
        let own = self.fault.borrow_mut().take();
        let message = own.unwrap_or_else(|| format!("The text is not JSON: {}.", cause(error)));
        let path = Some(self.text()).filter(|path| !path.is_empty());
        Malformed { message, position: (line > 0).then_some((line, column)), path }
    }
}

/// Whether a key could be the name of an element.
pub fn is_name(key: &str) -> bool {
    key.len() <= 64 && key.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

/// What the parser says, without the position (told apart) and without the text's own values.
fn cause(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let end = text.find(" at line ").unwrap_or(text.len());
    text.get(..end).unwrap_or("syntax error").to_owned()
}

/// One value at the reader's place.
#[derive(Clone, Copy)]
struct Node<'a>(&'a Place);

impl<'de> DeserializeSeed<'de> for Node<'_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

/// The key under which `serde_json` hands over a number whose digits are to be kept.
const NUMBER: &str = "$serde_json::private::Number";

impl<'de> Visitor<'de> for Node<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(Value::Number(value.into()))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::String(value.to_owned()))
    }

    fn visit_string<E>(self, value: String) -> Result<Value, E> {
        Ok(Value::String(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        self.check_depth()?;
        let mut array = Vec::new();
        loop {
            self.0.enter(Step::Index(array.len()));
            let Some(item) = items.next_element_seed(self)? else { break };
            self.0.leave();
            array.push(item);
        }
        self.0.leave();
        Ok(Value::Array(array))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Value, A::Error> {
        let mut object = Map::new();
        let mut next = entries.next_key::<String>()?;
        if next.as_deref() == Some(NUMBER) {
            let digits: String = entries.next_value()?;
            return number(&digits).ok_or_else(|| A::Error::custom("number out of range"));
        }
        self.check_depth()?;
        while let Some(key) = next {
            self.0.enter(Step::Key(key.clone()));
            if object.contains_key(&key) {
                return Err(self.0.refuse("The object has the same key twice."));
            }
            let value = entries.next_value_seed(self)?;
            self.0.leave();
            object.insert(key, value);
            next = entries.next_key()?;
        }
        Ok(Value::Object(object))
    }
}

impl Node<'_> {
    fn check_depth<E: serde::de::Error>(self) -> Result<(), E> {
        if self.0.path.borrow().len() >= self.0.max_depth {
            let message = format!("Arrays and objects nest more than {} deep.", self.0.max_depth);
            return Err(self.0.refuse(&message));
        }
        Ok(())
    }
}

fn number(digits: &str) -> Option<Value> {
    serde_json::from_str::<Number>(digits).ok().map(Value::Number)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, message: &str, path: Option<&str>) {
        let fault = parse(text.as_bytes(), 4).unwrap_err();
        assert!(fault.message.contains(message), "{text}: {}", fault.message);
        assert_eq!(fault.path.as_deref(), path, "{text}");
    }

    #[test]
    fn numbers_keep_their_digits() {
        for text in [r#"{"a":1.00}"#, "[1E+2]", r#"{"a":[-0.10,12345678901234567890123]}"#] {
            let value = parse(text.as_bytes(), 4).unwrap();
            assert_eq!(serde_json::to_string(&value).unwrap().to_lowercase(), text.to_lowercase());
        }
    }

    #[test]
    fn a_number_may_be_as_long_as_it_is() {
        let digits = "9".repeat(100_000);
        for text in [&*digits, &format!("-{digits}.{digits}"), "1e999999999", "1E-999999999"] {
            let value = parse(format!("[{text}]").as_bytes(), 4).unwrap();
            assert_eq!(value[0].to_string().to_lowercase().replace("e+", "e"), text.to_lowercase());
        }
        // A member that is called like the private key of numbers is a member.
        let text = format!("{{\"a\":1,\"{NUMBER}\":\"2\"}}");
        assert!(parse(text.as_bytes(), 4).unwrap().is_object());
        assert!(parse(format!("{{\"{NUMBER}\":\"x\"}}").as_bytes(), 4).is_err());
        assert!(parse(format!("{{\"{NUMBER}\":[]}}").as_bytes(), 4).is_err());
    }

    #[test]
    fn faults_name_their_place() {
        check("", "empty", None);
        check("\u{feff}{}", "byte order mark", None);
        check(r#"{"a":1,"a":2}"#, "twice", Some("a"));
        check(r#"{"name":[{"x":1},{"x":1,"x":1}]}"#, "twice", Some("name[1].x"));
        check("[[[[[]]]]]", "nest", Some("[0][0][0][0]"));
        check(r#"{"a":{"b":{"c":{"d":{"e":1}}}}}"#, "nest", Some("a.b.c.d"));
        check("[[[[{}]]]]", "nest", Some("[0][0][0][0]"));
        check(r#"{"a":{"not a name":{"b":tru}}}"#, "not JSON", Some("a"));
        check(r#"{"a":"\ud800"}"#, "not JSON", Some("a"));
        check(r#"{"a":"\udc00\ud800"}"#, "not JSON", Some("a"));
        check("{\"a\":\"\u{1}\"}", "not JSON", Some("a"));
        check(r#"{"a":01}"#, "not JSON", Some("a"));
        check(r#"{"a":1.}"#, "not JSON", Some("a"));
        check(r#"{"a":NaN}"#, "not JSON", Some("a"));
        check(r#"{"a":1,}"#, "not JSON", None);
        check(r#"{"a":tru}"#, "not JSON", Some("a"));
        check("{} x", "not JSON", None);
        check("// no\n{}", "not JSON", None);
        assert_eq!(parse(b"{\n\"\xff\"}", 4).unwrap_err().position, Some((2, 2)));
    }
}
