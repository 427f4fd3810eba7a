//! Standard atmosphere with temperature offset and humidity.
//!
//! Pressure follows ISO 2533:1975 (the ICAO standard atmosphere to 32 km) at the *geopotential*
//! altitude H = r h / (r + h) of the geometric altitude h. Density is taken at the actual
//! temperature, so a warm day at a given altitude is thinner by the ratio of temperatures.
//!
//! Humidity enters through the virtual temperature T_v = T / (1 - (1 - eps) e/p), with
//! e = relative humidity x e_s, and the saturation pressure over water
//! e_s = 611.2 Pa exp(17.62 t / (243.12 + t)), t in degC (WMO-No. 8, Guide to Instruments and
//! Methods of Observation, vol. I, annex 4.B).
//!
//! Limits. The pressure is that of the standard day: weather moves it by some +-3 %. The
//! saturation formula is stated for -45 to 60 degC; below that its value is negligible here. The
//! gas is ideal (compressibility leaves 0.06 % at 0 degC), and the speed of sound keeps
//! gamma = 1.4 in moist air (too fast by up to 0.1 %).

use serde::Serialize;

use crate::STANDARD_GRAVITY;

/// State of the air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Air {
    /// Density, kg/m^3.
    pub density: f64,
    /// Pressure, Pa.
    pub pressure: f64,
    /// Temperature, K.
    pub temperature: f64,
    /// Speed of sound, m/s.
    pub sound_speed: f64,
    /// Dynamic viscosity, Pa s.
    pub viscosity: f64,
}

/// The air asked for is outside the model.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum AtmosphereError {
    /// Altitude outside the model, m.
    #[error("altitude {altitude} m is outside {low} m to {high} m")]
    Altitude {
        /// Asked for, m.
        altitude: f64,
        /// Lowest, m.
        low: f64,
        /// Highest, m.
        high: f64,
    },
    /// Temperature outside the model, K.
    #[error("air temperature {temperature} K is outside {low} K to {high} K")]
    Temperature {
        /// Asked for, K.
        temperature: f64,
        /// Lowest, K.
        low: f64,
        /// Highest, K.
        high: f64,
    },
    /// Relative humidity outside 0 to 1.
    #[error("relative humidity {relative_humidity} is outside 0 to 1")]
    Humidity {
        /// Asked for.
        relative_humidity: f64,
    },
    /// More vapour than the pressure can hold, Pa.
    #[error("vapour pressure {vapour_pressure:.0} Pa is more than half of the air pressure {pressure:.0} Pa")]
    VapourPressure {
        /// Of the vapour, Pa.
        vapour_pressure: f64,
        /// Of the air, Pa.
        pressure: f64,
    },
}

/// Lowest geometric altitude, m (lowest row of ISO 2533).
pub const LOWEST_ALTITUDE: f64 = -2_000.0;
/// Highest geometric altitude, m.
pub const HIGHEST_ALTITUDE: f64 = 32_000.0;
/// Range of actual temperatures, K: -100 to 70 degC.
pub const TEMPERATURES: (f64, f64) = (173.15, 343.15);

/// Specific gas constant of dry air, J/(kg K) (ISO 2533, table 1).
pub const GAS_CONSTANT: f64 = 287.052_87;
/// Ratio of specific heats (ISO 2533, table 1).
pub const HEAT_RATIO: f64 = 1.4;
/// Nominal earth radius, m (ISO 2533).
const EARTH_RADIUS: f64 = 6_356_766.0;
/// Sea level: pressure, Pa, and temperature, K (ISO 2533).
const SEA_LEVEL: (f64, f64) = (101_325.0, 288.15);
/// Layers: base altitude (geopotential), m, and lapse, K/m (ISO 2533, table 4).
const LAYERS: [(f64, f64); 3] = [(0.0, -0.006_5), (11_000.0, 0.0), (20_000.0, 0.001)];
/// Sutherland: beta, kg/(m s K^0.5), and S, K (ISO 2533).
const SUTHERLAND: (f64, f64) = (1.458e-6, 110.4);
/// Molar mass of water over that of dry air, 18.015 28 / 28.964 42.
const MOLAR_RATIO: f64 = 0.621_98;

/// Geopotential altitude, m, of a geometric altitude, m.
pub fn geopotential(altitude: f64) -> f64 {
    EARTH_RADIUS * altitude / (EARTH_RADIUS + altitude)
}

/// Saturation vapour pressure over water, Pa, at a temperature, K (WMO-No. 8).
pub fn saturation_pressure(temperature: f64) -> f64 {
    let celsius = temperature - 273.15;
    611.2 * (17.62 * celsius / (243.12 + celsius)).exp()
}

/// Air at a geometric altitude, m, so many kelvin warmer than the standard, at a relative
/// humidity of 0 to 1.
pub fn air(altitude: f64, temperature_offset: f64, relative_humidity: f64) -> Result<Air, AtmosphereError> {
    let (pressure, standard) = standard(altitude)?;
    state(pressure, standard + temperature_offset, relative_humidity)
}

/// Air at a geometric altitude, m, and an actual temperature, K, at a relative humidity of 0 to 1.
pub fn air_at_temperature(
    altitude: f64,
    temperature: f64,
    relative_humidity: f64,
) -> Result<Air, AtmosphereError> {
    let (pressure, _) = standard(altitude)?;
    state(pressure, temperature, relative_humidity)
}

/// Air at a measured pressure, Pa, temperature, K, and relative humidity of 0 to 1: for a site
/// where the barometer was read.
pub fn air_at_pressure(
    pressure: f64,
    temperature: f64,
    relative_humidity: f64,
) -> Result<Air, AtmosphereError> {
    state(pressure, temperature, relative_humidity)
}

/// Standard pressure, Pa, and temperature, K, at a geometric altitude, m.
fn standard(altitude: f64) -> Result<(f64, f64), AtmosphereError> {
    if !(LOWEST_ALTITUDE..=HIGHEST_ALTITUDE).contains(&altitude) {
        return Err(AtmosphereError::Altitude { altitude, low: LOWEST_ALTITUDE, high: HIGHEST_ALTITUDE });
    }
    let height = geopotential(altitude);
    let (mut pressure, mut temperature) = SEA_LEVEL;
    for (index, (base, lapse)) in LAYERS.into_iter().enumerate() {
        let top = LAYERS.get(index + 1).map_or(f64::INFINITY, |layer| layer.0);
        let climb = height.min(top) - base;
        if lapse == 0.0 {
            pressure *= (-STANDARD_GRAVITY * climb / (GAS_CONSTANT * temperature)).exp();
        } else {
            let warmer = temperature + lapse * climb;
            pressure *= (warmer / temperature).powf(-STANDARD_GRAVITY / (lapse * GAS_CONSTANT));
            temperature = warmer;
        }
        if height <= top {
            break;
        }
    }
    Ok((pressure, temperature))
}

/// State of air at a pressure, temperature and humidity.
fn state(pressure: f64, temperature: f64, relative_humidity: f64) -> Result<Air, AtmosphereError> {
    let (low, high) = TEMPERATURES;
    if !(low..=high).contains(&temperature) {
        return Err(AtmosphereError::Temperature { temperature, low, high });
    }
    if !(0.0..=1.0).contains(&relative_humidity) {
        return Err(AtmosphereError::Humidity { relative_humidity });
    }
    let vapour_pressure = relative_humidity * saturation_pressure(temperature);
    if !(pressure.is_finite() && vapour_pressure < 0.5 * pressure) {
        return Err(AtmosphereError::VapourPressure { vapour_pressure, pressure });
    }
    let virtual_temperature = temperature / (1.0 - (1.0 - MOLAR_RATIO) * vapour_pressure / pressure);
    let (beta, sutherland) = SUTHERLAND;
    Ok(Air {
        density: pressure / (GAS_CONSTANT * virtual_temperature),
        pressure,
        temperature,
        sound_speed: (HEAT_RATIO * GAS_CONSTANT * virtual_temperature).sqrt(),
        viscosity: beta * temperature.powf(1.5) / (temperature + sutherland),
    })
}
