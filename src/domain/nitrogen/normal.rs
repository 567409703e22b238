//! The normal distribution, the nodes that average over it, and where a rising function passes a value.

use std::{
    f64::consts::{PI, SQRT_2},
    sync::LazyLock,
};

use statrs::function::erf::{erfc, erfc_inv};

/// The chance that a standard normal is below `x`.
pub fn phi(x: f64) -> f64 {
    erfc(-x / SQRT_2) / 2.0
}

/// The value below which a standard normal stays with chance `p`; chances beyond ±37 standard deviations count as
/// those.
pub fn phi_inverse(p: f64) -> f64 {
    (-SQRT_2 * erfc_inv(2.0 * p)).clamp(-37.0, 37.0)
}

/// The density of a normal of that variance, `error` from its mean.
pub fn density(error: f64, variance: f64) -> f64 {
    (-error * error / (2.0 * variance)).exp() / (2.0 * PI * variance).sqrt()
}

/// Steps to one side of the middle.
const STEPS: i32 = 20;

/// Nodes and weights that average over a standard normal: 41 even steps of a quarter from -5 to 5.
///
/// What is averaged is nearly a step when the loss is well known. There even steps miss 0.005 at most, where the 15
/// nodes of Gauss and Hermite miss 0.05.
pub static NODES: LazyLock<[(f64, f64); 41]> = LazyLock::new(|| {
    let mut nodes = [(0.0, 0.0); 41];
    for (node, step) in nodes.iter_mut().zip(-STEPS..) {
        let z = f64::from(step) / 4.0;
        *node = (z, density(z, 1.0));
    }
    let sum: f64 = nodes.iter().map(|(_, weight)| weight).sum();
    nodes.map(|(z, weight)| (z, weight / sum))
});

/// Where a rising function passes `wanted` between `low` and `high`, to `within`: false position after Illinois, which
/// halves the weight of an end that stays, and so needs about ten values of the function.
pub fn passes(f: impl Fn(f64) -> f64, wanted: f64, low: f64, high: f64, within: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    let (mut below, mut above) = (f(low) - wanted, f(high) - wanted);
    if below >= 0.0 {
        return low;
    }
    if above <= 0.0 {
        return high;
    }
    let mut last_side = 0_i8;
    for step in 0..200 {
        if high - low <= within {
            break;
        }
        // Every third step halves, so that a flat stretch cannot hold it up.
        let at = if step % 3 == 2 {
            f64::midpoint(low, high)
        } else {
            (low * above - high * below) / (above - below)
        };
        let over = f(at) - wanted;
        if over.abs() < 1e-13 {
            return at;
        }
        if over < 0.0 {
            (low, below) = (at, over);
            if last_side == -1 {
                above /= 2.0;
            }
            last_side = -1;
        } else {
            (high, above) = (at, over);
            if last_side == 1 {
                below /= 2.0;
            }
            last_side = 1;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nodes_average_the_powers_of_a_standard_normal() {
        // Moments of the standard normal: 1, 0, 1, 0, 3.
        for (power, moment) in [(0, 1.0), (1, 0.0), (2, 1.0), (3, 0.0), (4, 3.0)] {
            let mean: f64 = NODES.iter().map(|(z, weight)| weight * z.powi(power)).sum();
            assert!((mean - moment).abs() < 1e-3, "{power}: {mean}");
        }
    }

    #[test]
    fn a_rising_function_is_solved() {
        let near = |got: f64, wanted: f64| assert!((got - wanted).abs() < 1e-9, "{got} is not {wanted}");
        near(passes(|x| x * x * x, 8.0, 0.0, 1000.0, 1e-12), 2.0);
        near(passes(phi, 0.95, -40.0, 40.0, 1e-12), 1.644_853_626_951_472_9);
        near(passes(|x| x, -1.0, 0.0, 1.0, 1e-12), 0.0);
        near(passes(|x| x, 2.0, 0.0, 1.0, 1e-12), 1.0);
    }
}
