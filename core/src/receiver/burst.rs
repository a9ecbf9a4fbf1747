//! A burst: a run of unusable frames with, perhaps, good frames among them.

/// Good frames in a row that end a burst: 2 ms at 5000 frames a second. One solenoid switching
/// disturbs for longer than that between its own spikes.
const QUIET_FRAMES: u8 = 10;

/// The burst under way, if there is one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Burst {
    /// Frames since it began, good ones included; 0 when there is none.
    age: u16,
    /// Unusable frames up to now without a good one.
    coasted: u16,
    /// Good frames up to now without an unusable one.
    quiet: u8,
    /// The direct decode stepped further than any speed takes it when the unusable frames began.
    is_step: bool,
}

impl Burst {
    pub(super) const NONE: Self = Self {
        age: 0,
        coasted: 0,
        quiet: 0,
        is_step: false,
    };

    pub(super) const fn age(&self) -> u16 {
        self.age
    }

    pub(super) const fn coasted(&self) -> u16 {
        self.coasted
    }

    pub(super) const fn is_step(&self) -> bool {
        self.is_step
    }

    pub(super) const fn bad_frame(&mut self, is_step: bool) {
        self.age = self.age.saturating_add(1);
        self.coasted = self.coasted.saturating_add(1);
        self.quiet = 0;
        self.is_step = is_step;
    }

    pub(super) const fn good_frame(&mut self) {
        if self.age == 0 {
            return;
        }
        self.age = self.age.saturating_add(1);
        self.coasted = 0;
        self.is_step = false;
        self.quiet = self.quiet.saturating_add(1);
        if self.quiet >= QUIET_FRAMES {
            *self = Self::NONE;
        }
    }
}
