//! The normal distribution, the nodes that average over it, and where a rising function passes a value.

use std::f64::consts::{PI, SQRT_2};

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

/// Nodes and weights of the 15-point Gauss-Hermite rule for a standard normal, the mirrored half left out:
/// `numpy.polynomial.hermite_e.hermegauss(15)`, weights divided by their sum.
pub const NODES: [(f64, f64); 15] = {
    const HALF: [(f64, f64); 8] = [
        (0.0, 0.318_259_518_259_518_15),
        (0.799_129_068_324_548, 0.232_462_293_609_732_25),
        (1.606_710_069_028_729_7, 0.089_417_795_399_844_37),
        (2.432_436_827_009_758, 0.017_365_774_492_137_616),
        (3.289_082_424_398_766_4, 0.001_567_357_503_549_956),
        (4.196_207_711_269_015_5, 5.642_146_405_189_029e-5),
        (5.190_093_591_304_781, 5.975_419_597_920_599e-7),
        (6.363_947_888_829_839, 8.589_649_899_633_252e-10),
    ];
    let mut nodes = [HALF[0]; 15];
    let mut at = 1;
    while at < 8 {
        nodes[2 * at - 1] = HALF[at];
        nodes[2 * at] = (-HALF[at].0, HALF[at].1);
        at += 1;
    }
    nodes
};

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
        // Moments of the standard normal: 1, 0, 1, 0, 3, 0, 15.
        for (power, moment) in [(0, 1.0), (1, 0.0), (2, 1.0), (3, 0.0), (4, 3.0), (5, 0.0), (6, 15.0)] {
            let mean: f64 = NODES.iter().map(|(z, weight)| weight * z.powi(power)).sum();
            assert!((mean - moment).abs() < 1e-11, "{power}: {mean}");
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
