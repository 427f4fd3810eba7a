//! What acts of the stated gains: battery, command and payload change what thrust makes of a command.
//!
//! Gains are angular accelerations, turned into commands with the slope of thrust over command at the voltage that the
//! controller was set up at. With U = c V the voltage that the ESC applies, in steady state U = K w + R Q(w)/K,
//!
//! > dT/dc = V dT/dw / (K + R dQ/dw / K).
//!
//! Elsewhere the same output makes another thrust: the loop's gain is the stated one times the slope there over the slope
//! reckoned with. A controller that inverts the curve of thrust reckons with the slope at the command it gives, one that does
//! not with that of the hover it was set up in. One that corrects its command for the bus voltage applies the same U at any;
//! what is left then is the bend of the curve, where nothing inverts it.
//!
//! Static slopes: the motor's lag changes too, which is not a gain. Lower rotors of coaxial pairs are taken as upper ones.

use crate::STANDARD_GRAVITY;
use crate::aircraft::Aircraft;
use crate::mass::mass_properties;
use crate::powertrain::{BatteryModel, MotorModel, motor_lag, operating_point};
use crate::root::root;

/// Sea level of ISO 2533, kg/m^3: what a stated voltage is worth hardly depends on it.
const SEA_LEVEL: f64 = 1.225;

/// An aircraft with the controller as set up.
#[derive(Debug, Clone)]
pub struct Effect<'a> {
    aircraft: &'a Aircraft,
    motor: MotorModel,
    density: f64,
    /// Bus voltage that the stated gains hold at, V.
    meant: f64,
    /// Thrust of a rotor, N, and bus voltage, V, of the hover on a full battery without payload.
    hover: (f64, f64),
}

impl<'a> Effect<'a> {
    /// With the hover without payload on a full battery: thrust of a rotor, N, and bus voltage, V. The gains hold at the
    /// voltage that the file states, else at that one. None without a motor.
    pub fn new(aircraft: &'a Aircraft, hover: (f64, f64), density: f64) -> Option<Self> {
        let stated = aircraft.rate_loop.as_ref().and_then(|l| l.set_up_at);
        let motor = MotorModel::new(aircraft).ok()?;
        let meant = stated.unwrap_or(hover.1);
        (meant > 0.0 && hover.0 > 0.0).then_some(Self { aircraft, motor, density, meant, hover })
    }

    fn corrected(&self) -> bool {
        self.aircraft.rate_loop.as_ref().is_some_and(|l| l.voltage_corrected)
    }

    fn linearised(&self) -> bool {
        self.aircraft.rate_loop.as_ref().is_some_and(|l| l.linearised)
    }

    /// Applied voltage, V, of a rotor at a speed, rad/s.
    fn applied(&self, speed: f64) -> f64 {
        self.motor.voltage_for_torque(self.aircraft.rotor.load(speed, self.density).torque, speed)
    }

    /// Rotor speed, rad/s, at an applied voltage, V.
    fn speed_at(&self, volts: f64) -> Option<f64> {
        let over = |w: f64| self.applied(w) - volts;
        let most = volts / self.motor.kt;
        root(over, (1.0, over(1.0)), (most, over(most)), 1e-9 * most)
    }

    /// Slope of thrust over applied voltage at a rotor speed, N/V.
    fn slope(&self, speed: f64) -> f64 {
        let load = self.aircraft.rotor.load(speed, self.density);
        load.thrust_slope / (self.motor.kt + self.motor.path_resistance() * load.torque_slope / self.motor.kt)
    }

    /// Gain of the loop over the stated one with rotors at a thrust, N, on a bus at a voltage, V, the inertia left out.
    pub fn gain(&self, thrust: f64, voltage: f64) -> Option<f64> {
        let speed = |thrust: f64| self.aircraft.rotor.speed_for_thrust(thrust, 0.0, self.density);
        let here = speed(thrust)?;
        let reckoned = match (self.linearised(), self.corrected()) {
            (true, true) => here,
            // It looks the same command up on the curve of its own voltage.
            (true, false) => self.speed_at(self.applied(here) / voltage * self.meant)?,
            (false, _) => speed(self.hover.0)?,
        };
        let volts = if self.corrected() { self.meant } else { voltage };
        let gain = self.slope(here) * volts / (self.slope(reckoned) * self.meant);
        (gain.is_finite() && gain > 0.0).then_some(gain)
    }

    /// The same over that of the hover on a full battery without payload.
    pub fn over_full(&self, thrust: f64, voltage: f64) -> Option<f64> {
        Some(self.gain(thrust, voltage)? / self.gain(self.hover.0, self.hover.1)?)
    }

    /// What the motors take longer, s, where all speed up together: with i = (c (V - n c R_b i) - K w) / R the battery's
    /// resistance R_b stands n c^2 times in each motor's path.
    fn slower(&self, aircraft: &Aircraft, thrusts: &[f64], charge: f64) -> Option<f64> {
        let point = operating_point(aircraft, thrusts, charge, self.density).ok()?;
        let count = point.rotors.len().max(1) as f64;
        let speed = point.rotors.iter().map(|r| r.speed).sum::<f64>() / count;
        let squares: f64 = point.rotors.iter().map(|r| r.command.powi(2)).sum();
        let battery = BatteryModel::new(aircraft).ok()?.ohmic_resistance();
        let alone = motor_lag(aircraft, speed, self.density).ok()?.braked;
        let mut all = aircraft.clone();
        all.esc.as_mut()?.resistance += squares * battery;
        Some(motor_lag(&all, speed, self.density).ok()?.braked - alone)
    }

    /// What all rotors together make of a change of the thrust asked of them, each at a thrust, N, at a charge, 0 to 1: the bus
    /// sags as they all draw more, which a controller that corrects for it makes good. The battery's RC pair is too slow to
    /// follow. None beyond a limit of the powertrain.
    pub fn lift(&self, thrusts: &[f64], charge: f64) -> Option<Lift> {
        if self.linearised() && self.corrected() {
            return Some(Lift { gain: 1.0, relative: 1.0, slower: 0.0 });
        }
        let mut aircraft = self.aircraft.clone();
        aircraft.battery.as_mut()?.polarisation_resistance = 0.0;
        let count = thrusts.len().max(1) as f64;
        let hover = self.aircraft.rotor.speed_for_thrust(self.hover.0, 0.0, self.density)?;
        // Thrust asked of a rotor, N, by the command that gives `share` of the thrusts.
        let asked = |share: f64| -> Option<f64> {
            let thrusts: Vec<f64> = thrusts.iter().map(|t| share * t).collect();
            let point = operating_point(&aircraft, &thrusts, charge, self.density).ok()?;
            let command = point.rotors.iter().map(|r| r.command).sum::<f64>() / count;
            if self.linearised() {
                let speed = self.speed_at(command * self.meant)?;
                return Some(self.aircraft.rotor.load(speed, self.density).thrust);
            }
            let volts = if self.corrected() { point.bus_voltage } else { self.meant };
            Some(self.slope(hover) * command * volts)
        };
        const STEP: f64 = 0.01;
        let (high, low) = (asked(1.0 + STEP)?, asked(1.0 - STEP)?);
        let mean = thrusts.iter().sum::<f64>() / count;
        let lift = Lift {
            gain: 2.0 * STEP * mean / (high - low),
            relative: STEP * (high + low) / (high - low),
            slower: if self.corrected() { 0.0 } else { self.slower(&aircraft, thrusts, charge)? },
        };
        (lift.gain.is_finite() && lift.gain > 0.0).then_some(lift)
    }
}

/// What all rotors together make of a change of the thrust asked of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lift {
    /// Thrust gained per thrust asked.
    pub gain: f64,
    /// Share of the thrust gained per share of the demand: 1 on a stiff bus where the demand is proportional to thrust, 2 where
    /// it is to the command of a square law.
    pub relative: f64,
    /// What the motors' lag is longer by than where the rotors share a change, s.
    pub slower: f64,
}

/// Gain in a hover on a full battery over the stated one: 1 but where the file says that the gains hold at another voltage,
/// which nothing corrects for.
pub fn on_full_battery(aircraft: &Aircraft) -> f64 {
    let stated = aircraft.rate_loop.as_ref().is_some_and(|l| l.set_up_at.is_some() && !l.voltage_corrected);
    let found = stated.then(|| {
        let bare = aircraft.without_payload();
        let count = bare.stations.len();
        let thrust = mass_properties(&bare.bodies).mass * STANDARD_GRAVITY / count.max(1) as f64;
        let point = operating_point(&bare, &vec![thrust; count], 1.0, SEA_LEVEL).ok()?;
        let hover = (thrust, point.bus_voltage);
        Effect::new(&bare, hover, SEA_LEVEL)?.gain(hover.0, hover.1)
    });
    found.flatten().unwrap_or(1.0)
}
