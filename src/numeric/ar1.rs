//! What autocorrelation leaves of a number of readings.

/// Effective number of independent readings among `n` readings of AR(1) noise.
///
/// `n_eff = n / (1 + 2 Σ_{k=1}^{n-1} (1 − k/n) φᵏ)`, in closed form
/// `Σ = φ/(1−φ) − φ(1−φⁿ)/(n(1−φ)²)`; so that `var(mean) = σ²/n_eff` exactly for known φ.
/// `phi` is clamped to −0.999…0.999. O(1).
pub fn effective_samples(n: f64, phi: f64) -> f64 {
    if n <= 1.0 {
        return n;
    }
    let phi = phi.clamp(-0.999, 0.999);
    let q = 1.0 - phi;
    let sum = phi / q - phi * (1.0 - phi.powf_signed(n)) / (n * q * q);
    (n / (1.0 + 2.0 * sum)).max(1.0)
}

trait PowSigned {
    fn powf_signed(self, n: f64) -> f64;
}

impl PowSigned for f64 {
    /// `self` to a whole power, negative bases included; underflows to 0.
    fn powf_signed(self, n: f64) -> f64 {
        let magnitude = self.abs().powf(n);
        if self < 0.0 && n % 2.0 != 0.0 { -magnitude } else { magnitude }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn closed_form_is_the_direct_sum() {
        for n in [2usize, 7, 100] {
            for phi in [-0.6, -0.1, 0.0, 0.3, 0.95] {
                let sum: f64 =
                    (1..n).map(|k| (1.0 - k as f64 / n as f64) * f64::powi(phi, k as i32)).sum();
                let direct = n as f64 / (1.0 + 2.0 * sum);
                assert_relative_eq!(
                    effective_samples(n as f64, phi),
                    direct.max(1.0),
                    max_relative = 1e-12
                );
            }
        }
    }
}
