//! Expressions that ask yes or no, such as that of Patient's `deceased`.
//!
//! `exists()`, comparison with `true` or `false`, and `and`; anything else is left to the engine.
//! Source: <http://hl7.org/fhirpath/N1/#boolean-logic>.

use rh_fhirpath::{EqualityOperator, Expression, Invocation, Literal, Term};
use serde_json::Value;

use super::route::{Compiler, Route};

/// A question about a resource.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Truth {
    /// Both hold.
    Both(Box<Truth>, Box<Truth>),
    /// There is a value at the end of a route.
    Exists(Vec<Route>),
    /// The value there is (or is not) that boolean.
    Is(Vec<Route>, bool),
    /// The opposite of an answer.
    Not(Box<Truth>),
}

impl Truth {
    /// The question that the expression asks, if it is one of these.
    pub(super) fn compile(compiler: &Compiler<'_>, expression: &Expression) -> Option<Self> {
        let start = compiler.resource;
        match expression {
            Expression::Term(Term::Parenthesized(inner)) => Self::compile(compiler, inner),
            Expression::And { left, right } => {
                let (left, right) =
                    (Self::compile(compiler, left)?, Self::compile(compiler, right)?);
                Some(Self::Both(Box::new(left), Box::new(right)))
            }
            Expression::Invocation {
                left,
                invocation: Invocation::Function { name, parameters },
            } if name == "exists" && parameters.is_empty() => {
                Some(Self::Exists(compiler.routes(left, start)?))
            }
            Expression::Equality { left, operator, right } => {
                let Expression::Term(Term::Literal(Literal::Boolean(expected))) = **right else {
                    return None;
                };
                let is = Self::Is(compiler.routes(left, start)?, expected);
                match operator {
                    EqualityOperator::Equal => Some(is),
                    EqualityOperator::NotEqual => Some(Self::Not(Box::new(is))),
                    _ => None,
                }
            }
            _ => None,
        }
    }

    /// The answer for a resource; none where FHIRPath gives the empty collection.
    pub(super) fn answer(&self, resource: &Value) -> Option<bool> {
        match self {
            Self::Both(left, right) => match (left.answer(resource), right.answer(resource)) {
                (Some(false), _) | (_, Some(false)) => Some(false),
                (Some(true), Some(true)) => Some(true),
                _ => None,
            },
            Self::Exists(routes) => Some(first(routes, resource).is_some()),
            Self::Is(routes, expected) => {
                first(routes, resource).map(|value| value.as_bool() == Some(*expected))
            }
            Self::Not(inner) => inner.answer(resource).map(|answer| !answer),
        }
    }
}

fn first<'v>(routes: &[Route], resource: &'v Value) -> Option<&'v Value> {
    let mut found = None;
    for route in routes {
        route.walk(resource, resource, &mut |value| found = found.or(Some(value)));
    }
    found
}
