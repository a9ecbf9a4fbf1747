//! From evidence to a permit: a pure function; whatever is unknown denies.

use crate::stroke::Mode;

/// What is known about the press this tick, each as a positive fact.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Evidence {
    /// The emergency-stop chain is closed on both channels.
    pub emergency_chain_closed: bool,
    /// The stop control is closed.
    pub stop_control_closed: bool,
    /// The main motor runs forward.
    pub motor_forward: bool,
    /// Motor off and flywheel at rest.
    pub drive_at_rest: bool,
    /// Clutch air in its window.
    pub clutch_air_ok: bool,
    /// Counterbalance air in its window.
    pub counterbalance_air_ok: bool,
    /// The crank angle is trusted.
    pub angle_trusted: bool,
    /// Guards closed.
    pub guards_closed: bool,
    /// Lubrication, die protection, overload.
    pub auxiliaries_ok: bool,
    /// The zero has been captured.
    pub is_zeroed: bool,
    /// Limits, release angles and distance have been commissioned.
    pub is_commissioned: bool,
    /// The key for supervised work is turned.
    pub key_turned: bool,
}

/// What may happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Permit {
    /// Running may go on; without it, stop now.
    pub run: bool,
    /// Running may go on past the next top; without it, finish and hold.
    pub run_on: bool,
    /// The barring state may be kept or taken up.
    pub bar: bool,
}

impl Permit {
    /// Whether a stroke may start.
    pub const fn start(self) -> bool {
        self.run && self.run_on
    }
}

/// The permit for `mode`.
pub fn permit(evidence: &Evidence, mode: Mode) -> Permit {
    let e = evidence;
    let safe_to_move = e.emergency_chain_closed
        && e.stop_control_closed
        && e.clutch_air_ok
        && e.counterbalance_air_ok
        && e.angle_trusted
        && e.guards_closed
        && e.is_zeroed;
    let run = match mode {
        Mode::Off | Mode::Barring => false,
        Mode::Inch => safe_to_move,
        Mode::Test => safe_to_move && e.motor_forward && e.key_turned,
        Mode::Single | Mode::Continuous => safe_to_move && e.motor_forward,
    };
    let run_on = match mode {
        Mode::Off | Mode::Barring | Mode::Inch | Mode::Test => true,
        Mode::Single | Mode::Continuous => e.auxiliaries_ok && e.is_commissioned,
    };
    Permit {
        run,
        run_on,
        bar: e.key_turned && e.drive_at_rest,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: Evidence = Evidence {
        emergency_chain_closed: true,
        stop_control_closed: true,
        motor_forward: true,
        drive_at_rest: false,
        clutch_air_ok: true,
        counterbalance_air_ok: true,
        angle_trusted: true,
        guards_closed: true,
        auxiliaries_ok: true,
        is_zeroed: true,
        is_commissioned: true,
        key_turned: true,
    };

    #[test]
    fn nothing_known_permits_nothing() {
        for mode in [
            Mode::Off,
            Mode::Barring,
            Mode::Inch,
            Mode::Single,
            Mode::Continuous,
            Mode::Test,
        ] {
            assert!(!permit(&Evidence::default(), mode).start());
        }
    }

    #[test]
    fn each_missing_permissive_denies_a_single_stroke() {
        assert!(permit(&ALL, Mode::Single).start());
        let missing: [fn(&mut Evidence); 10] = [
            |e| e.emergency_chain_closed = false,
            |e| e.stop_control_closed = false,
            |e| e.motor_forward = false,
            |e| e.clutch_air_ok = false,
            |e| e.counterbalance_air_ok = false,
            |e| e.angle_trusted = false,
            |e| e.guards_closed = false,
            |e| e.auxiliaries_ok = false,
            |e| e.is_zeroed = false,
            |e| e.is_commissioned = false,
        ];
        for (number, take_away) in missing.iter().enumerate() {
            let mut evidence = ALL;
            take_away(&mut evidence);
            assert!(
                !permit(&evidence, Mode::Single).start(),
                "permissive {number}"
            );
        }
    }
}
