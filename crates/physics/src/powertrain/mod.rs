//! Motor, ESC and battery: what a thrust costs, what is the most thrust, and how long it lasts.
//!
//! *Motor.* First order: one resistance, one torque constant, a no-load current that may grow with speed
//! ([`motor`], Drela 2007). *ESC.* A chopper with an on-resistance and edges that cost: the command is the
//! duty, so command x bus voltage = motor voltage + motor current x on-resistance, and the supply
//! current is (command + a small share) x motor current. *Battery.* Open-circuit voltage by charge, series
//! resistance and one RC pair ([`battery`]). Everything but the motors is a constant power on the
//! bus.
//!
//! *Polarisation.* A hover lasts longer than the RC pair's time constant, so [`operating_point`]
//! takes the pair as settled at the point's own current. Full thrust is a short burst out of the
//! hover: [`full_thrust`] keeps the pair at its hover polarisation. [`endurance`] integrates it.
//!
//! *Airspeed.* [`airspeed`] trims the whole aircraft in forward flight and climb, [`ledger`] says where
//! the energy goes, [`thermal`] how warm a winding gets.
//!
//! *Limits of the models.* No dead band or bend in the command-to-voltage map; what an ESC draws by itself
//! counts with the avionics; winding and cell temperatures of the operating points as stated in the aircraft
//! file. The temperature limit of a winding is a limit of its current: settled in steady flight, after the
//! stated time in a burst.

pub mod airspeed;
pub mod battery;
mod endurance;
mod error;
mod full_thrust;
mod lag;
pub mod ledger;
pub mod motor;
mod operating_point;
mod plant;
pub mod thermal;

pub use battery::{BatteryModel, open_circuit_voltage};
pub use endurance::{CONTROL_MARGIN, EndReason, Endurance, endurance, endurance_at_power};
pub use error::{LimitKind, PowertrainError};
pub use full_thrust::{FullThrust, full_thrust, point_at_command};
pub use lag::{MotorLag, motor_lag};
pub use motor::MotorModel;
pub use operating_point::{OperatingPoint, RotorPoint, operating_point};
