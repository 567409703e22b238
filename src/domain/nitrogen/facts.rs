//! Properties of nitrogen at its boiling point under one atmosphere, and weight to litres.
//!
//! Source: the equation of state of Span et al. 2000 (NIST), recomputed with `CoolProp` (tests/reference/nitrogen).

/// Boiling point at 101,325 Pa, in degrees Celsius (77.355 K).
pub const BOILING_POINT_C: f64 = -195.795;
/// Density of the boiling liquid at 101,325 Pa, in kilograms a litre.
pub const DENSITY_KG_PER_L: f64 = 0.806_08;
/// Latent heat of vaporisation at 101,325 Pa, in joules a kilogram.
pub const LATENT_HEAT_J_PER_KG: f64 = 199_176.0;
/// Gas at 20 C and 101,325 Pa from one litre of liquid, in litres (literature: 690-700).
pub const GAS_L_PER_L: f64 = 692.0;
/// What a heat leak of one watt evaporates, in litres a day.
pub const LOSS_L_PER_DAY_PER_W: f64 = 0.538;

/// Litres of nitrogen in a tank that weighs `gross_kg` with it and `tare_kg` without.
///
/// # Errors
/// Says what is wrong when the tank weighs less than its tare.
pub fn litres_of_gross_kg(gross_kg: f64, tare_kg: f64) -> Result<f64, String> {
    if gross_kg >= tare_kg {
        Ok((gross_kg - tare_kg) / DENSITY_KG_PER_L)
    } else {
        Err(format!("must be at least the tank's tare, which is {tare_kg} kg"))
    }
}
