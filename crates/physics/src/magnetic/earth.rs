//! The earth's field at a place and date: World Magnetic Model (NOAA/NCEI and BGS), through the crate
//! `world_magnetic_model`, which carries WMM2020 and WMM2025. Single precision inside: about 0.01 uT.

use serde::Serialize;
use world_magnetic_model::GeomagneticField;
use world_magnetic_model::time::Date;
use world_magnetic_model::uom::si::angle::{degree, radian};
use world_magnetic_model::uom::si::f32::{Angle, Length};
use world_magnetic_model::uom::si::length::meter;
use world_magnetic_model::uom::si::magnetic_flux_density::tesla;

/// The earth's field at a place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LocalField {
    /// Part to the north, T.
    pub north: f64,
    /// Part to the east, T.
    pub east: f64,
    /// Part down, T.
    pub down: f64,
    /// Horizontal part, T.
    pub horizontal: f64,
    /// Standard uncertainty of the horizontal part by the model's error model, T.
    pub horizontal_uncertainty: f64,
    /// Whole field, T.
    pub total: f64,
    /// Declination, rad, east positive.
    pub declination: f64,
    /// Inclination, rad, down positive.
    pub inclination: f64,
}

/// Why there is no field.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EarthError {
    /// The date is no date.
    #[error("day {day} of {year} is not a date")]
    Date {
        /// Year.
        year: i32,
        /// Day of the year, from 1.
        day: u16,
    },
    /// Outside what the model covers.
    #[error(
        "the World Magnetic Model does not cover latitude {latitude:.2} deg, longitude {longitude:.2} deg, height {height:.0} m, year {year}: {why}"
    )]
    Outside {
        /// Latitude, deg.
        latitude: f64,
        /// Longitude, deg.
        longitude: f64,
        /// Height, m.
        height: f64,
        /// Year.
        year: i32,
        /// The model's own words.
        why: String,
    },
}

/// The field at a geodetic latitude and longitude (rad), height above the ellipsoid (m) and date.
///
/// # Errors
/// A date that is none, or a place or year that the model does not cover.
pub fn local_field(
    latitude: f64,
    longitude: f64,
    height: f64,
    year: i32,
    day: u16,
) -> Result<LocalField, EarthError> {
    let date = Date::from_ordinal_date(year, day).map_err(|_| EarthError::Date { year, day })?;
    let field = GeomagneticField::new(
        Length::new::<meter>(height as f32),
        Angle::new::<degree>(latitude.to_degrees() as f32),
        Angle::new::<degree>(longitude.to_degrees() as f32),
        date,
    )
    .map_err(|e| EarthError::Outside {
        latitude: latitude.to_degrees(),
        longitude: longitude.to_degrees(),
        height,
        year,
        why: e.to_string(),
    })?;
    let t = |x: world_magnetic_model::uom::si::f32::MagneticFluxDensity| f64::from(x.get::<tesla>());
    Ok(LocalField {
        north: t(field.x()),
        east: t(field.y()),
        down: t(field.z()),
        horizontal: t(field.h()),
        horizontal_uncertainty: t(field.h_uncertainty()),
        total: t(field.f()),
        declination: f64::from(field.declination().get::<radian>()),
        inclination: f64::from(field.inclination().get::<radian>()),
    })
}
