//! FHIRPath over JSON in place, for invariants: the part of the language that they use most.
//!
//! The engine copies what it looks at, which costs tens of microseconds a constraint; this reads
//! the resource where it lies. Expressions are parsed by the engine's parser; what is not handled
//! here (regular expressions, type tests, arithmetic on quantities) answers none and is left to the
//! engine, and a test holds both to the same answers.
//! Source: <http://hl7.org/fhirpath/N1/>.

use rh_fhirpath::ast::{AdditiveOperator, OrOperator};
use rh_fhirpath::{
    EqualityOperator, Expression, InequalityOperator, Invocation, Literal, MembershipOperator,
    PolarityOperator, Term,
};
use rust_decimal::Decimal;

mod eval;
mod item;
#[cfg(test)]
mod tests;

pub(super) use eval::Env;

/// An expression ready for evaluation.
#[derive(Debug)]
pub(super) enum Node {
    This,
    /// `%resource`.
    Resource,
    Nothing,
    Bool(bool),
    Number(Decimal),
    Text(String),
    Member(Box<Node>, String),
    At(Box<Node>, usize),
    Call(Box<Node>, Function),
    Pair(Box<Node>, Operator, Box<Node>),
}

/// A function, with its arguments.
#[derive(Debug)]
pub(super) enum Function {
    Exists,
    Empty,
    Not,
    Count,
    First,
    Tail,
    IsDistinct,
    HasValue,
    Where(Box<Node>),
    Select(Box<Node>),
    All(Box<Node>),
    StartsWith(Box<Node>),
    Contains(Box<Node>),
    Intersect(Box<Node>),
    Combine(Box<Node>),
}

/// What stands between two expressions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Operator {
    Equal,
    NotEqual,
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    And,
    Or,
    Xor,
    Implies,
    Union,
    In,
    Add,
    Concatenate,
}

/// The expression, if all of it is handled here.
pub(super) fn compile(expression: &Expression) -> Option<Node> {
    match expression {
        Expression::Term(term) => compile_term(term),
        Expression::Invocation { left, invocation } => invoke(compile(left)?, invocation),
        Expression::Indexer { left, index } => match &**index {
            Expression::Term(Term::Literal(Literal::Integer(at))) => {
                Some(Node::At(Box::new(compile(left)?), usize::try_from(*at).ok()?))
            }
            _ => None,
        },
        Expression::Polarity { operator, operand } => match (operator, compile(operand)?) {
            (PolarityOperator::Plus, Node::Number(number)) => Some(Node::Number(number)),
            (PolarityOperator::Minus, Node::Number(number)) => Some(Node::Number(-number)),
            _ => None,
        },
        Expression::Union { left, right } => pair(left, Operator::Union, right),
        Expression::And { left, right } => pair(left, Operator::And, right),
        Expression::Implies { left, right } => pair(left, Operator::Implies, right),
        Expression::Or { left, operator: OrOperator::Or, right } => pair(left, Operator::Or, right),
        Expression::Or { left, operator: OrOperator::Xor, right } => {
            pair(left, Operator::Xor, right)
        }
        Expression::Equality { left, operator: EqualityOperator::Equal, right } => {
            pair(left, Operator::Equal, right)
        }
        Expression::Equality { left, operator: EqualityOperator::NotEqual, right } => {
            pair(left, Operator::NotEqual, right)
        }
        Expression::Inequality { left, operator, right } => {
            let operator = match operator {
                InequalityOperator::LessThan => Operator::Less,
                InequalityOperator::LessThanOrEqual => Operator::LessOrEqual,
                InequalityOperator::GreaterThan => Operator::Greater,
                InequalityOperator::GreaterThanOrEqual => Operator::GreaterOrEqual,
            };
            pair(left, operator, right)
        }
        Expression::Membership { left, operator: MembershipOperator::In, right } => {
            pair(left, Operator::In, right)
        }
        Expression::Membership { left, operator: MembershipOperator::Contains, right } => {
            pair(right, Operator::In, left)
        }
        Expression::Additive { left, operator: AdditiveOperator::Add, right } => {
            pair(left, Operator::Add, right)
        }
        Expression::Additive { left, operator: AdditiveOperator::Concatenate, right } => {
            pair(left, Operator::Concatenate, right)
        }
        _ => None,
    }
}

fn pair(left: &Expression, operator: Operator, right: &Expression) -> Option<Node> {
    Some(Node::Pair(Box::new(compile(left)?), operator, Box::new(compile(right)?)))
}

fn compile_term(term: &Term) -> Option<Node> {
    match term {
        Term::Parenthesized(inner) => compile(inner),
        Term::Invocation(invocation) => invoke(Node::This, invocation),
        Term::ExternalConstant(name) => match name.as_str() {
            "resource" => Some(Node::Resource),
            "ucum" => Some(Node::Text("http://unitsofmeasure.org".to_owned())),
            _ => None,
        },
        Term::Literal(literal) => match literal {
            Literal::Null => Some(Node::Nothing),
            Literal::Boolean(value) => Some(Node::Bool(*value)),
            Literal::String(text) => Some(Node::Text(text.clone())),
            Literal::Number(number) => Some(Node::Number(*number)),
            Literal::Integer(number) => Some(Node::Number(Decimal::from(*number))),
            _ => None,
        },
    }
}

fn invoke(left: Node, invocation: &Invocation) -> Option<Node> {
    match invocation {
        Invocation::This => Some(left),
        Invocation::Member(name) => Some(Node::Member(Box::new(left), name.clone())),
        Invocation::Function { name, parameters } => {
            let argument = match parameters.as_slice() {
                [] => None,
                [only] => Some(Box::new(compile(only)?)),
                _ => return None,
            };
            call(left, name, argument)
        }
        Invocation::Index | Invocation::Total => None,
    }
}

fn call(left: Node, name: &str, argument: Option<Box<Node>>) -> Option<Node> {
    let function = match (name, argument) {
        // Tracing changes nothing.
        ("trace", Some(_)) => return Some(left),
        ("exists", Some(criteria)) => {
            let found = Node::Call(Box::new(left), Function::Where(criteria));
            return Some(Node::Call(Box::new(found), Function::Exists));
        }
        ("exists", None) => Function::Exists,
        ("empty", None) => Function::Empty,
        ("not", None) => Function::Not,
        ("count", None) => Function::Count,
        ("first", None) => Function::First,
        ("tail", None) => Function::Tail,
        ("isDistinct", None) => Function::IsDistinct,
        ("hasValue", None) => Function::HasValue,
        ("where", Some(criteria)) => Function::Where(criteria),
        ("select", Some(projection)) => Function::Select(projection),
        ("all", Some(criteria)) => Function::All(criteria),
        ("startsWith", Some(prefix)) => Function::StartsWith(prefix),
        ("contains", Some(part)) => Function::Contains(part),
        ("intersect", Some(other)) => Function::Intersect(other),
        ("combine", Some(other)) => Function::Combine(other),
        _ => return None,
    };
    Some(Node::Call(Box::new(left), function))
}
