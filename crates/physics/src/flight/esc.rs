//! The way of a command from the controller to the motor's voltage, as exact delays.
//!
//! A frame takes one protocol period on the wire; a command that finds the wire busy waits, and a
//! newer one replaces it. The ESC takes up the last complete frame at its own update instants, and
//! its dead time later the voltage changes. The update instants of the rotors are spread evenly
//! over the period, so that the mean wait over the rotors is half a period.

use std::collections::VecDeque;

/// Nanoseconds of a time in seconds, rounded.
pub(super) fn nanoseconds(seconds: f64) -> u64 {
    (seconds * 1e9).round() as u64
}

/// Seconds of a time in nanoseconds.
pub(super) fn seconds(nanoseconds: u64) -> f64 {
    nanoseconds as f64 * 1e-9
}

/// One rotor's path of commands. Times in nanoseconds from the start.
#[derive(Debug, Clone)]
pub(super) struct CommandPath {
    frame: u64,
    update: f64,
    phase: f64,
    dead: u64,
    busy_until: u64,
    waiting: Option<Option<f64>>,
    pending: VecDeque<(u64, Option<f64>)>,
}

impl CommandPath {
    /// `phase` is where in its update period (0 to 1) the ESC takes up commands.
    pub(super) fn new(protocol_period: f64, update_period: f64, phase: f64, dead_time: f64) -> Self {
        Self {
            frame: nanoseconds(protocol_period),
            update: update_period * 1e9,
            phase: phase * update_period * 1e9,
            dead: nanoseconds(dead_time),
            busy_until: 0,
            waiting: None,
            pending: VecDeque::new(),
        }
    }

    /// The controller writes a command at the instant `at`; instants never go back.
    pub(super) fn send(&mut self, at: u64, command: Option<f64>) {
        if self.busy_until < at
            && let Some(earlier) = self.waiting.take()
        {
            // It went out when the wire fell free, before now.
            self.transmit(self.busy_until, earlier);
        }
        if self.busy_until <= at {
            self.waiting = None;
            self.transmit(at, command);
        } else {
            self.waiting = Some(command);
        }
    }

    fn transmit(&mut self, start: u64, command: Option<f64>) {
        self.busy_until = start + self.frame;
        self.pending.push_back((self.taken_up(self.busy_until) + self.dead, command));
    }

    fn taken_up(&self, arrival: u64) -> u64 {
        if self.update < 1.0 {
            return arrival;
        }
        let periods = ((arrival as f64 - self.phase) / self.update).ceil().max(0.0);
        ((periods * self.update + self.phase).round() as u64).max(arrival)
    }

    /// From now on commands take effect later by so much, s.
    pub(super) fn slow(&mut self, by: f64) {
        self.dead += nanoseconds(by);
    }

    /// When the voltage changes next, if anything is under way.
    pub(super) fn next(&self) -> Option<u64> {
        self.pending.front().map(|&(at, _)| at)
    }

    /// The command that takes effect by `now`, if one does.
    pub(super) fn take(&mut self, now: u64) -> Option<Option<f64>> {
        let mut latest = None;
        while let Some(&(at, command)) = self.pending.front() {
            if at > now {
                break;
            }
            latest = Some(command);
            self.pending.pop_front();
        }
        latest
    }
}

impl CommandPath {
    /// Mean of the command from one instant to another, ns, `held` being what is applied at the first and left as what is
    /// applied at the second. Where the motor is off for a part, what is applied last counts for all.
    pub(super) fn mean(&mut self, held: &mut Option<f64>, from: u64, until: u64) -> Option<f64> {
        let (mut at, mut sum, mut off) = (from, 0.0, held.is_none());
        while let Some(&(change, command)) = self.pending.front() {
            if change >= until {
                break;
            }
            let change = change.max(at);
            sum += held.unwrap_or(0.0) * (change - at) as f64;
            (at, *held) = (change, command);
            off |= command.is_none();
            self.pending.pop_front();
        }
        if off || at == from {
            return *held;
        }
        sum += held.unwrap_or(0.0) * (until - at) as f64;
        Some(sum / (until - from) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prop_command_takes_frame_wait_and_dead_time() {
        // Sent at 1.23 ms; 0.1 ms on the wire; taken up at the next 0.5 ms instant; 1.5 ms dead.
        let mut path = CommandPath::new(1e-4, 5e-4, 0.0, 1.5e-3);
        path.send(1_230_000, Some(0.5));
        assert_eq!(path.next(), Some(1_500_000 + 1_500_000));
        assert_eq!(path.take(2_999_999), None);
        assert_eq!(path.take(3_000_000), Some(Some(0.5)));
        assert_eq!(path.next(), None);
    }

    #[test]
    fn prop_busy_wire_sends_the_newest_command() {
        // Frames of 2.5 ms, a command every 1 ms: those of 1 ms and 2 ms wait; 2 ms goes at 2.5 ms.
        let mut path = CommandPath::new(2.5e-3, 0.0, 0.0, 0.0);
        for ms in 0..6_u64 {
            path.send(ms * 1_000_000, Some(ms as f64));
        }
        let seen: Vec<_> = path.pending.iter().copied().collect();
        assert_eq!(seen, vec![(2_500_000, Some(0.0)), (5_000_000, Some(2.0)), (7_500_000, Some(5.0))]);
    }

    #[test]
    fn prop_mean_is_that_of_the_changes() {
        let mut path = CommandPath::new(0.0, 0.0, 0.0, 0.0);
        let mut held = Some(0.2);
        assert_eq!(path.mean(&mut held, 0, 1000), Some(0.2));
        path.send(1250, Some(0.6));
        path.send(1750, Some(1.0));
        let mean = path.mean(&mut held, 1000, 2000).unwrap();
        assert!((mean - (0.25 * 0.2 + 0.5 * 0.6 + 0.25)).abs() < 1e-12, "{mean}");
        assert_eq!((held, path.next()), (Some(1.0), None));
        path.send(2500, None);
        assert_eq!(path.mean(&mut held, 2000, 3000), None);
    }
}
