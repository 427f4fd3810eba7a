//! The fail-safe of the flight model: what it does by itself on a lost link and a low charge, and the pilot who takes over.
//!
//! On a lost link it acts once the link has been gone for its time; on a low charge once its own estimate of the charge has
//! been below the threshold for its time. It then comes home (climb to the height of the way home, fly, descend, land) or
//! lands where it is, until a pilot takes over. The estimate of the charge counts current with an error of gain.

use serde::Serialize;

use super::controller::Motion;
use super::scenario::Action;
use crate::Vec3;
use crate::homeward::{Failsafe, OnLostLink};

/// What flies the aircraft.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// The script: what the pilot or the plan of the flight asks for.
    Script,
    /// On its way home.
    ComeHome,
    /// Landing where it is.
    Land,
    /// The safety pilot has taken over.
    Pilot,
}

impl Mode {
    /// Number in the log.
    pub fn number(self) -> f64 {
        match self {
            Self::Script => 0.0,
            Self::ComeHome => 1.0,
            Self::Land => 2.0,
            Self::Pilot => 3.0,
        }
    }
}

/// Fail-safe and pilot of a scenario. Home is the origin of the earth axes, at height zero.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Guard {
    /// What it does, and when.
    pub failsafe: Failsafe,
    /// Relative error of the counted charge: 0.02 counts 2 % too much.
    pub count_error: f64,
    /// When the safety pilot takes over and hands back, s.
    pub pilot: Vec<(f64, f64)>,
    /// Time from the switch until the mode has changed, s.
    pub take_over_delay: f64,
}

/// Distance from home within which it descends, m.
const OVERHEAD: f64 = 3.0;
/// Height below which it lands slowly, m, and the speed then, m/s.
const LOW: (f64, f64) = (4.0, 0.5);
/// Height at which it has landed, m.
const LANDED: f64 = 0.1;
/// Gains from an error of place to a speed, 1/s, and of height.
const PLACE_GAIN: f64 = 0.35;
const HEIGHT_GAIN: f64 = 0.8;

/// The fail-safe as it runs.
#[derive(Debug)]
pub(super) struct Watch<'a> {
    guard: &'a Guard,
    pub mode: Mode,
    first_charge: f64,
    link_lost: Option<f64>,
    low_since: Option<f64>,
    /// Height of the way home: as planned, or higher where it begins higher.
    cruise: f64,
    descending: bool,
    pub landed: bool,
}

/// What is in the log of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub mode: f64,
    pub link: f64,
    pub pilot: f64,
    pub charge: f64,
}

impl<'a> Watch<'a> {
    pub(super) fn new(guard: &'a Guard, charge: f64) -> Self {
        Self {
            guard,
            mode: Mode::Script,
            first_charge: charge,
            link_lost: None,
            low_since: None,
            cruise: guard.failsafe.plan.height,
            descending: false,
            landed: false,
        }
    }

    fn switch(&self, now: f64) -> bool {
        self.guard.pilot.iter().any(|(from, to)| (*from..*to).contains(&now))
    }

    /// The charge by its own count.
    fn counted(&self, charge: f64) -> f64 {
        self.first_charge - (self.first_charge - charge) * (1.0 + self.guard.count_error)
    }

    /// Looks at link, charge and pilot; gives what the log shows. `height` is the true one: the ground stops it.
    pub(super) fn look(&mut self, now: f64, link: bool, charge: f64, motion: &Motion, height: f64) -> Seen {
        let f = &self.guard.failsafe;
        let counted = self.counted(charge);
        self.link_lost = if link { None } else { self.link_lost.or(Some(now)) };
        self.low_since = if counted < f.come_home_at { self.low_since.or(Some(now)) } else { None };
        let for_long = |since: Option<f64>, time: f64| since.is_some_and(|s| now - s >= time);
        let taken = self.guard.pilot.iter().any(|(from, to)| {
            (from + self.guard.take_over_delay..to + self.guard.take_over_delay).contains(&now)
        });
        let next = if taken {
            Mode::Pilot
        } else if self.mode == Mode::Land || counted < f.land_now_at {
            Mode::Land
        } else if for_long(self.link_lost, f.lost_link_time) && self.mode != Mode::ComeHome {
            match f.on_lost_link {
                OnLostLink::ComeHome => Mode::ComeHome,
                OnLostLink::Land => Mode::Land,
            }
        } else if for_long(self.low_since, f.low_battery_time) || self.mode == Mode::ComeHome {
            Mode::ComeHome
        } else {
            Mode::Script
        };
        if next == Mode::ComeHome && self.mode != next {
            self.cruise = f.plan.height.max(-motion.position.z);
            self.descending = false;
        }
        self.mode = next;
        let flying_itself = matches!(next, Mode::ComeHome | Mode::Land);
        self.landed |= flying_itself && height < LANDED;
        Seen {
            mode: next.number(),
            link: f64::from(u8::from(link)),
            pilot: f64::from(u8::from(self.switch(now))),
            charge: counted,
        }
    }

    /// What the mode asks of the loops; `None` for the script's own action.
    pub(super) fn action(&mut self, motion: &Motion) -> Option<Action> {
        let plan = &self.guard.failsafe.plan;
        let height = -motion.position.z;
        let sink = if height < LOW.0 { LOW.1.min(plan.descent) } else { plan.descent };
        let demand = match self.mode {
            Mode::Script => return None,
            Mode::Pilot => return Some(Action::Velocity { demand: Vec3::zeros() }),
            Mode::Land => Vec3::new(0.0, 0.0, sink),
            Mode::ComeHome => {
                let home = -Vec3::new(motion.position.x, motion.position.y, 0.0);
                let far = home.norm();
                self.descending |= far < OVERHEAD;
                let up = HEIGHT_GAIN * (self.cruise - height);
                let flat = if far > 1e-9 { home / far } else { Vec3::zeros() };
                if self.descending {
                    flat * (PLACE_GAIN * far).min(2.0) + Vec3::new(0.0, 0.0, sink)
                } else if up > HEIGHT_GAIN {
                    // More than a metre to climb: first that.
                    Vec3::new(0.0, 0.0, -up.min(plan.climb))
                } else {
                    flat * (PLACE_GAIN * far).min(plan.speed)
                        - Vec3::new(0.0, 0.0, up.clamp(-plan.climb, plan.climb))
                }
            }
        };
        Some(Action::Velocity { demand })
    }
}
