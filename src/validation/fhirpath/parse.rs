//! Tokens to an expression, by precedence.
//!
//! Source: <http://hl7.org/fhirpath/N1/#operator-precedence>,
//! <http://hl7.org/fhirpath/N1/grammar.html>.

use rust_decimal::Decimal;

use super::function;
use super::item::Item;
use super::lex::{Token, tokens};
use super::quantity::{Quantity, Unit};
use super::temporal::Temporal;
use super::{Fault, Node, Operator, TypeName, TypeTest};

/// How long an expression may be, in tokens.
const MAX_TOKENS: usize = 4_000;

/// How deep an expression may be: brackets in brackets, or operators in a row.
const MAX_DEPTH: usize = 200;

pub(super) fn parse(text: &str, of_view: bool) -> Result<Node, Fault> {
    let tokens = tokens(text)?;
    if tokens.len() > MAX_TOKENS {
        return Err(Fault::new("the expression is too long"));
    }
    let mut parser = Parser { tokens, at: 0, depth: 0, of_view };
    let node = parser.expression(0)?;
    match parser.peek() {
        None => Ok(node),
        Some(_) => parser.fault("something that does not belong there"),
    }
}

struct Parser {
    tokens: Vec<(Token, usize)>,
    at: usize,
    depth: usize,
    /// Whether the functions of view definitions are there.
    of_view: bool,
}

/// Operators with how tightly they bind.
const OPERATORS: [(&str, Operator, u8); 22] = [
    ("implies", Operator::Implies, 1),
    ("or", Operator::Or, 2),
    ("xor", Operator::Xor, 2),
    ("and", Operator::And, 3),
    ("in", Operator::In, 4),
    ("contains", Operator::Contains, 4),
    ("=", Operator::Equal, 5),
    ("~", Operator::Equivalent, 5),
    ("!=", Operator::NotEqual, 5),
    ("!~", Operator::NotEquivalent, 5),
    ("<", Operator::Less, 6),
    ("<=", Operator::LessOrEqual, 6),
    (">", Operator::Greater, 6),
    (">=", Operator::GreaterOrEqual, 6),
    ("|", Operator::Union, 7),
    ("+", Operator::Add, 9),
    ("-", Operator::Subtract, 9),
    ("&", Operator::Concatenate, 9),
    ("*", Operator::Multiply, 10),
    ("/", Operator::Divide, 10),
    ("div", Operator::WholeDivide, 10),
    ("mod", Operator::Modulo, 10),
];

/// How tightly `is` and `as` bind.
const TYPE_LEVEL: u8 = 8;

/// How tightly a sign before a value binds.
const SIGN_LEVEL: u8 = 11;

impl Parser {
    fn peek(&self) -> Option<&Token> {
        self.tokens.get(self.at).map(|(token, _)| token)
    }

    fn next(&mut self) -> Option<Token> {
        let token = self.peek().cloned();
        self.at += 1;
        token
    }

    fn fault<T>(&self, what: &str) -> Result<T, Fault> {
        match self.tokens.get(self.at) {
            Some((_, place)) => Err(Fault::new(format!("{what} at character {place}"))),
            None => Err(Fault::new(format!("{what} at the end of the expression"))),
        }
    }

    fn is_sign(&self, wanted: &str) -> bool {
        matches!(self.peek(), Some(Token::Sign(sign)) if *sign == wanted)
    }

    fn take_sign(&mut self, wanted: &str) -> bool {
        let is_there = self.is_sign(wanted);
        self.at += usize::from(is_there);
        is_there
    }

    fn expect(&mut self, sign: &str) -> Result<(), Fault> {
        if self.take_sign(sign) { Ok(()) } else { self.fault(&format!("{sign} is missing")) }
    }

    fn deeper(&mut self) -> Result<(), Fault> {
        self.depth += 1;
        if self.depth > MAX_DEPTH { self.fault("too much nesting") } else { Ok(()) }
    }

    /// An expression whose operators bind tighter than `level`.
    fn expression(&mut self, level: u8) -> Result<Node, Fault> {
        self.deeper()?;
        let before = self.depth;
        let mut left = self.signed()?;
        loop {
            let name = match self.peek() {
                Some(Token::Sign(sign)) => (*sign).to_owned(),
                Some(Token::Name(name)) => name.clone(),
                _ => break,
            };
            if (name == "is" || name == "as") && TYPE_LEVEL > level {
                self.at += 1;
                let test = if name == "is" { TypeTest::Is } else { TypeTest::As };
                let kind = self.type_name()?;
                left = Node::Type(Box::new(left), test, kind);
            } else if let Some((_, operator, own)) =
                OPERATORS.iter().find(|(sign, _, own)| *sign == name && *own > level)
            {
                self.at += 1;
                let right = self.expression(*own)?;
                left = Node::Pair(Box::new(left), *operator, Box::new(right));
            } else {
                break;
            }
            // Operators in a row nest to the left.
            self.deeper()?;
        }
        self.depth = before - 1;
        Ok(left)
    }

    fn signed(&mut self) -> Result<Node, Fault> {
        if self.take_sign("-") {
            return Ok(Node::Negate(Box::new(self.expression(SIGN_LEVEL)?)));
        }
        if self.take_sign("+") {
            return self.expression(SIGN_LEVEL);
        }
        let start = self.term()?;
        self.path(start)
    }

    /// What follows a term: members, functions, indexes.
    fn path(&mut self, mut left: Node) -> Result<Node, Fault> {
        let before = self.depth;
        loop {
            if self.take_sign(".") {
                left = match self.next() {
                    Some(Token::Name(name) | Token::Quoted(name)) if self.is_sign("(") => {
                        self.call(left, &name)?
                    }
                    Some(Token::Name(name) | Token::Quoted(name)) => {
                        Node::Member(Box::new(left), name)
                    }
                    Some(Token::Special(name)) if name == "this" => left,
                    _ => {
                        self.at -= 1;
                        return self.fault("the name of an element or function is expected");
                    }
                };
            } else if self.take_sign("[") {
                let index = self.expression(0)?;
                self.expect("]")?;
                left = Node::At(Box::new(left), Box::new(index));
            } else {
                self.depth = before;
                return Ok(left);
            }
            self.deeper()?;
        }
    }

    fn term(&mut self) -> Result<Node, Fault> {
        let literal = |item| Ok(Node::Literal(item));
        match self.next() {
            Some(Token::Sign("(")) => {
                let inner = self.expression(0)?;
                self.expect(")")?;
                Ok(inner)
            }
            Some(Token::Sign("{")) => {
                self.expect("}")?;
                Ok(Node::Nothing)
            }
            Some(Token::Text(text)) => literal(Item::Text(text.into())),
            Some(Token::Number(digits)) => self.number(&digits),
            Some(Token::Moment(text)) => {
                let moment = Temporal::literal(&text);
                match moment {
                    Some(moment) => literal(Item::Temporal(moment)),
                    None => Err(Fault::new(format!("@{text} is no date or time"))),
                }
            }
            Some(Token::Constant(name)) => Ok(Node::Constant(name)),
            Some(Token::Special(name)) => match name.as_str() {
                "this" => Ok(Node::This),
                "index" => Ok(Node::Index),
                "total" => Ok(Node::Total),
                _ => Err(Fault::new(format!("there is no ${name}"))),
            },
            Some(Token::Name(name)) if name == "true" || name == "false" => {
                literal(Item::Bool(name == "true"))
            }
            Some(Token::Name(name) | Token::Quoted(name)) if self.is_sign("(") => {
                self.call(Node::This, &name)
            }
            Some(Token::Name(name) | Token::Quoted(name)) => Ok(Node::Head(name)),
            _ => {
                self.at -= 1;
                self.fault("a value or a path is expected")
            }
        }
    }

    /// A number, or a quantity where a unit follows.
    fn number(&mut self, digits: &str) -> Result<Node, Fault> {
        let too_long = || Fault::new(format!("the number {digits} has too many digits"));
        let unit = match self.peek() {
            Some(Token::Text(unit)) => Some(Unit::Code(unit.clone().into())),
            Some(Token::Name(name)) => Unit::calendar(name),
            _ => None,
        };
        if let Some(unit) = unit {
            self.at += 1;
            let value: Decimal = digits.parse().map_err(|_| too_long())?;
            return Ok(Node::Literal(Item::Quantity(Quantity { value, unit })));
        }
        if digits.contains('.') {
            let value: Decimal = digits.parse().map_err(|_| too_long())?;
            return Ok(Node::Literal(Item::Decimal(value)));
        }
        Ok(Node::Literal(Item::Integer(digits.parse().map_err(|_| too_long())?)))
    }

    fn call(&mut self, left: Node, name: &str) -> Result<Node, Fault> {
        self.expect("(")?;
        let test = match name {
            "is" => Some(TypeTest::Is),
            "as" => Some(TypeTest::As),
            "ofType" => Some(TypeTest::OfType),
            _ => None,
        };
        if let Some(test) = test {
            let kind = self.type_name()?;
            self.expect(")")?;
            return Ok(Node::Type(Box::new(left), test, kind));
        }
        let mut arguments = Vec::new();
        if !self.take_sign(")") {
            loop {
                arguments.push(self.expression(0)?);
                if name == "sort" {
                    self.direction(&mut arguments);
                }
                if !self.take_sign(",") {
                    break;
                }
            }
            self.expect(")")?;
        }
        let Some(entry) = function::find(name, self.of_view) else {
            return Err(Fault::new(format!("there is no function {name}")));
        };
        if !entry.arguments.contains(&arguments.len()) {
            return Err(Fault::new(format!("{name} has {} arguments", arguments.len())));
        }
        if self.of_view {
            function::view::check(entry, &arguments)?;
        }
        Ok(Node::Call(Box::new(left), entry, arguments))
    }

    /// `asc` or `desc` after a key of sort.
    fn direction(&mut self, arguments: &mut [Node]) {
        let Some(Token::Name(name)) = self.peek() else { return };
        let is_falling = name == "desc";
        if is_falling || name == "asc" {
            self.at += 1;
            if let Some(key) = arguments.last_mut().filter(|_| is_falling) {
                let inner = std::mem::replace(key, Node::This);
                *key = Node::Negate(Box::new(inner));
            }
        }
    }

    fn type_name(&mut self) -> Result<TypeName, Fault> {
        let mut names = Vec::new();
        loop {
            let Some(Token::Name(name) | Token::Quoted(name)) = self.next() else {
                self.at -= 1;
                return self.fault("the name of a type is expected");
            };
            names.push(name);
            if !self.take_sign(".") {
                break;
            }
        }
        let name = match names.as_slice() {
            [space, rest @ ..] if !rest.is_empty() && (space == "System" || space == "FHIR") => {
                TypeName { system: space == "System", name: rest.join(".") }
            }
            _ => TypeName::plain(names.join(".")),
        };
        if name.is_known() {
            return Ok(name);
        }
        Err(Fault::new(format!("there is no type {}", name.name)))
    }
}
