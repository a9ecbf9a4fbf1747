//! Loads at the limit channels: each follows its output a reaction time later, and what the output
//! stage really does is read back.
//!
//! A load that is taken back before its reaction time is over never moves.

use stopwright_core::limit_channels::{CHANNELS, ChannelSet};

/// How long a load takes to follow its output, µs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reaction {
    /// From output on to the load's action.
    pub on_us: u64,
    /// From output off to its release.
    pub off_us: u64,
}

/// What is broken in the output stage. Nothing by [`Default`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LoadFaults {
    /// Outputs that stay on.
    pub welded: ChannelSet,
    /// Outputs that stay off.
    pub dead: ChannelSet,
}

/// Output stage and loads of the limit channels.
#[derive(Clone, Debug, Default)]
pub struct Loads {
    reactions: [Reaction; CHANNELS],
    faults: LoadFaults,
    outputs: ChannelSet,
    on: ChannelSet,
    /// For how long each output has been other than its load, µs.
    differ_us: [u64; CHANNELS],
}

impl Loads {
    /// Loads of these reaction times.
    pub fn new(reactions: [Reaction; CHANNELS]) -> Self {
        Self {
            reactions,
            ..Self::default()
        }
    }

    /// What is broken.
    pub const fn faults(&self) -> LoadFaults {
        self.faults
    }

    /// Breaks and mends.
    pub fn set_faults(&mut self, faults: LoadFaults) {
        self.faults = faults;
    }

    /// Outputs that are on, as they are read back.
    pub const fn outputs(&self) -> ChannelSet {
        self.outputs
    }

    /// Loads that are on.
    pub const fn on(&self) -> ChannelSet {
        self.on
    }

    /// `us` microseconds during which these outputs were commanded.
    pub fn step(&mut self, commanded: ChannelSet, us: u64) {
        let (welded, dead) = (self.faults.welded.to_bits(), self.faults.dead.to_bits());
        let outputs = commanded.to_bits() & !dead | welded;
        self.outputs = ChannelSet::from_bits(outputs);
        let mut on = self.on.to_bits();
        if on == outputs {
            self.differ_us = [0; CHANNELS];
            return;
        }
        for (channel, reaction) in self.reactions.iter().enumerate() {
            let (bit, differ_us) = (1 << channel, &mut self.differ_us[channel]);
            if (on ^ outputs) & bit == 0 {
                *differ_us = 0;
                continue;
            }
            *differ_us += us;
            let takes_us = match outputs & bit {
                0 => reaction.off_us,
                _ => reaction.on_us,
            };
            if *differ_us >= takes_us {
                on ^= bit;
                *differ_us = 0;
            }
        }
        self.on = ChannelSet::from_bits(on);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRST: ChannelSet = ChannelSet::from_bits(1);
    const NONE: ChannelSet = ChannelSet::EMPTY;

    fn loads() -> Loads {
        let mut reactions = [Reaction::default(); CHANNELS];
        reactions[0] = Reaction {
            on_us: 3_000,
            off_us: 1_500,
        };
        Loads::new(reactions)
    }

    fn after(loads: &mut Loads, commanded: ChannelSet, ticks: u32) -> ChannelSet {
        for _ in 0..ticks {
            loads.step(commanded, 1_000);
        }
        loads.on()
    }

    #[test]
    fn a_load_follows_its_output_a_reaction_time_later_on_and_off_apart() {
        let mut loads = loads();
        assert_eq!(after(&mut loads, FIRST, 2), NONE);
        assert_eq!(loads.outputs(), FIRST);
        assert_eq!(after(&mut loads, FIRST, 1), FIRST);
        assert_eq!(after(&mut loads, NONE, 1), FIRST);
        assert_eq!(after(&mut loads, NONE, 1), NONE);
    }

    #[test]
    fn an_output_taken_back_too_soon_moves_nothing() {
        let mut loads = loads();
        for _ in 0..5 {
            assert_eq!(after(&mut loads, FIRST, 2), NONE);
            assert_eq!(after(&mut loads, NONE, 1), NONE);
        }
    }

    #[test]
    fn a_welded_output_and_a_dead_one_do_not_follow_and_are_read_back_so() {
        let mut loads = loads();
        loads.set_faults(LoadFaults {
            welded: FIRST,
            dead: ChannelSet::from_bits(2),
        });
        after(&mut loads, ChannelSet::from_bits(6), 5);
        assert_eq!(loads.outputs(), ChannelSet::from_bits(5));
        assert_eq!(loads.on(), ChannelSet::from_bits(5));
    }
}
