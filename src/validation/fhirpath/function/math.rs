//! Functions on numbers, quantities and moments.
//!
//! Roots, powers and logarithms are inexact by nature and go through floating point; everything
//! else keeps its digits.

use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use rust_decimal::{Decimal, RoundingStrategy};

use super::super::eval::single;
use super::super::item::{Atom, Item};
use super::super::quantity::Quantity;
use super::super::{Answer, Fault};
use super::collection::number;
use super::{Call, Entry, bool, entry, maybe};

pub(super) const FUNCTIONS: &[Entry] = &[
    entry("abs", 0..=0, |_, left| change(&left, |number| number.abs())),
    entry("ceiling", 0..=0, |_, left| whole(&left, |number| number.ceil())),
    entry("floor", 0..=0, |_, left| whole(&left, |number| number.floor())),
    entry("truncate", 0..=0, |_, left| whole(&left, |number| number.trunc())),
    entry("round", 0..=1, round),
    entry("sqrt", 0..=0, |_, left| inexact(&left, f64::sqrt)),
    entry("exp", 0..=0, |_, left| inexact(&left, f64::exp)),
    entry("ln", 0..=0, |_, left| inexact(&left, f64::ln)),
    entry("log", 1..=1, log),
    entry("power", 1..=1, power),
    entry("lowBoundary", 0..=1, |call, left| boundary(call, &left, false)),
    entry("highBoundary", 0..=1, |call, left| boundary(call, &left, true)),
    entry("precision", 0..=0, precision),
    entry("comparable", 1..=1, comparable),
];

fn value(items: &[Item<'_>]) -> Result<Option<Decimal>, Fault> {
    match single(items)?.map(Item::atom) {
        None => Ok(None),
        Some(Some(atom)) if atom.number().is_some() => Ok(atom.number()),
        Some(_) => Err(Fault::new("a number is expected")),
    }
}

/// The same kind of number, changed.
fn change<'v>(left: &[Item<'v>], change: impl Fn(Decimal) -> Decimal) -> Answer<'v> {
    let changed = match single(left)?.map(Item::atom) {
        None => None,
        Some(Some(Atom::Integer(number))) => change(number.into()).to_i64().map(Item::Integer),
        Some(Some(Atom::Decimal(number))) => Some(Item::Decimal(change(number))),
        Some(Some(Atom::Quantity(quantity))) => {
            let changed = quantity.with(change(quantity.value));
            Some(Item::Quantity(changed.owned()))
        }
        Some(_) => return Err(Fault::new("a number is expected")),
    };
    maybe(changed)
}

fn whole<'v>(left: &[Item<'v>], change: impl Fn(Decimal) -> Decimal) -> Answer<'v> {
    maybe(value(left)?.and_then(|number| change(number).to_i64()).map(Item::Integer))
}

fn round<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let digits = u32::try_from(call.integer(0)?.unwrap_or(0))
        .map_err(|_| Fault::new("round takes a number of digits"))?;
    let round =
        |n: Decimal| n.round_dp_with_strategy(digits, RoundingStrategy::MidpointAwayFromZero);
    match single(&left)?.map(Item::atom) {
        Some(Some(Atom::Quantity(_))) => change(&left, round),
        _ => maybe(value(&left)?.map(|number| Item::Decimal(round(number)))),
    }
}

/// The result of a function that is not exact; none where it is no number.
fn of_float<'v>(result: f64) -> Option<Item<'v>> {
    let found = result.is_finite().then(|| Decimal::from_f64(result))?;
    found.map(|number| Item::Decimal(number.normalize()))
}

fn inexact<'v>(left: &[Item<'v>], function: impl Fn(f64) -> f64) -> Answer<'v> {
    let number = value(left)?.and_then(|number| number.to_f64());
    maybe(number.and_then(|number| of_float(function(number))))
}

fn log<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let base = value(&call.value(0)?)?.and_then(|base| base.to_f64());
    let Some(base) = base else { return Ok(Vec::new()) };
    inexact(&left, |number| {
        // The logarithms of these two bases are exact where there is an exact one.
        let special = [(2.0, f64::log2 as fn(f64) -> f64), (10.0, f64::log10)];
        let found = special.iter().find(|(known, _)| (known - base).abs() < f64::EPSILON);
        found.map_or_else(|| number.ln() / base.ln(), |(_, function)| function(number))
    })
}

fn power<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let exponent = call.value(0)?;
    let (Some(base), Some(power)) = (value(&left)?, value(&exponent)?) else {
        return Ok(Vec::new());
    };
    if let Some(times) = power.to_u8().filter(|_| power.is_integer()) {
        let mut product = Some(Decimal::ONE);
        for _ in 0..times {
            product = product.and_then(|product| product.checked_mul(base));
        }
        let is_whole = matches!(single(&left)?.and_then(Item::atom), Some(Atom::Integer(_)));
        return maybe(match product {
            Some(product) if is_whole => product.to_i64().map(Item::Integer),
            product => product.map(Item::Decimal),
        });
    }
    let (Some(base), Some(power)) = (base.to_f64(), power.to_f64()) else { return Ok(Vec::new()) };
    maybe(of_float(base.powf(power)))
}

/// The digits that a decimal is known to when nothing is said (FHIRPath, lowBoundary).
const DIGITS: u32 = 8;

fn boundary<'v>(call: &Call<'_, 'v>, left: &[Item<'v>], is_high: bool) -> Answer<'v> {
    let digits = match call.integer(0)? {
        None => None,
        Some(digits) => match usize::try_from(digits) {
            Ok(digits) => Some(digits),
            Err(_) => return Ok(Vec::new()),
        },
    };
    if let [Item::Element(period)] = left
        && period.is("Period")
    {
        // The period is bounded by its own ends; an end that is not told is none.
        let mut end = Vec::new();
        period.members(if is_high { "end" } else { "start" }, &mut end);
        return if end.is_empty() { Ok(end) } else { boundary(call, &end, is_high) };
    }
    let of_decimal = |number: Decimal| {
        let digits = digits.map_or(Some(DIGITS), |digits| u32::try_from(digits).ok())?;
        (digits <= Decimal::MAX_SCALE).then(|| decimal_boundary(number, is_high, digits))?
    };
    maybe(match single(left)?.map(Item::atom) {
        None => None,
        Some(Some(Atom::Temporal(moment))) => moment.boundary(is_high, digits).map(Item::Temporal),
        Some(Some(Atom::Quantity(quantity))) => {
            let found = of_decimal(quantity.value).map(|value| quantity.with(value));
            found.map(|quantity: Quantity<'_>| Item::Quantity(quantity.owned()))
        }
        Some(Some(atom)) => match atom.number() {
            Some(number) => of_decimal(number).map(Item::Decimal),
            None => return Err(Fault::new("a value without a boundary")),
        },
        Some(None) => return Err(Fault::new("a value without a boundary")),
    })
}

fn decimal_boundary(number: Decimal, is_high: bool, digits: u32) -> Option<Decimal> {
    let half = Decimal::try_new(5, number.scale() + 1).ok()?;
    let edge = if is_high { number.checked_add(half)? } else { number.checked_sub(half)? };
    let strategy = if is_high {
        RoundingStrategy::ToPositiveInfinity
    } else {
        RoundingStrategy::ToNegativeInfinity
    };
    let mut edge = edge.round_dp_with_strategy(digits, strategy);
    edge.rescale(digits);
    Some(edge)
}

fn precision<'v>(_: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    maybe(match single(&left)?.map(Item::atom) {
        None => None,
        Some(Some(Atom::Temporal(moment))) => number(moment.precision()),
        Some(Some(Atom::Decimal(value))) => Some(Item::Integer(value.scale().into())),
        Some(Some(Atom::Integer(_))) => Some(Item::Integer(0)),
        Some(_) => return Err(Fault::new("a value without a precision")),
    })
}

fn comparable<'v>(call: &Call<'_, 'v>, left: Vec<Item<'v>>) -> Answer<'v> {
    let other = call.value(0)?;
    match (single(&left)?.map(Item::atom), single(&other)?.map(Item::atom)) {
        (Some(Some(Atom::Quantity(a))), Some(Some(Atom::Quantity(b)))) => {
            bool(a.is_comparable(&b).unwrap_or(false))
        }
        (None, _) | (_, None) => Ok(Vec::new()),
        _ => Err(Fault::new("only quantities are comparable or not")),
    }
}
