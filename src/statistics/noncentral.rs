//! The noncentral t distribution, which the library does not have.
//!
//! A Poisson mixture of incomplete beta functions, summed outwards from its heaviest term so that
//! large noncentralities do not underflow. Source: Lenth, Applied Statistics 1989;38:185-189
//! (AS 243); the order of summation is ours, and the peer check holds it to a reference library.

use std::f64::consts::LN_2;

use statrs::distribution::{ContinuousCDF as _, Normal};
use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::ln_gamma;

/// Terms below this share of the whole end the sum.
const NEGLIGIBLE: f64 = 1e-17;

/// P(T <= t) for T noncentral t with `freedom` degrees of freedom and noncentrality `delta`.
pub(super) fn cdf(t: f64, freedom: f64, delta: f64) -> f64 {
    if t < 0.0 {
        return 1.0 - cdf(-t, freedom, -delta);
    }
    let below_zero = Normal::standard().cdf(-delta);
    let x = t * t / (t * t + freedom);
    (below_zero + mixture(x, freedom, delta) / 2.0).clamp(0.0, 1.0)
}

/// The sum over j of `p_j I_x(j + 1/2, freedom/2) + q_j I_x(j + 1, freedom/2)`.
fn mixture(x: f64, freedom: f64, delta: f64) -> f64 {
    let half = delta * delta / 2.0;
    let term = |j: f64| {
        let (p, q) = weights(j, half, delta);
        let beta = |a: f64| checked_beta_reg(a, freedom / 2.0, x).unwrap_or(0.0);
        (p * beta(j + 0.5) + q * beta(j + 1.0), p.max(q.abs()))
    };
    let middle = half.floor();
    let mut sum = 0.0;
    let mut j = middle;
    loop {
        let (value, weight) = term(j);
        sum += value;
        if weight < NEGLIGIBLE {
            break;
        }
        j += 1.0;
    }
    let mut j = middle - 1.0;
    while j >= 0.0 {
        let (value, weight) = term(j);
        sum += value;
        if weight < NEGLIGIBLE {
            break;
        }
        j -= 1.0;
    }
    sum
}

/// The Poisson weight of term j, and its companion of half-integer order, which has delta's sign.
fn weights(j: f64, half: f64, delta: f64) -> (f64, f64) {
    if half == 0.0 {
        return (if j == 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let power = j * half.ln() - half;
    let p = (power - ln_gamma(j + 1.0)).exp();
    let q = delta.signum() * (power + delta.abs().ln() - LN_2 / 2.0 - ln_gamma(j + 1.5)).exp();
    (p, q)
}
