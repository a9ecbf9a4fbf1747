//! Faults: what is wrong, what it demands, and how it is reset. One table; its numbers are stable
//! and never reused. The controller, the `explain` command and the fault page read the same table.

/// What a fault demands at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reaction {
    /// Log and show; motion goes on.
    Advise,
    /// Stop at the next release angle, then latch.
    TopStop,
    /// Stop now, then latch.
    ImmediateStop,
    /// Stop now, latch, and use the second means: dump the clutch air, drop the motor.
    SecondMeans,
}

/// What it takes to clear a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ResetRule {
    /// Clears when its condition has gone; nothing is latched.
    ByItself,
    /// The operator, at standstill, with the cause gone.
    Operator,
    /// The key holder, after a check.
    KeyHolder,
    /// The key holder, after the commissioning step the fault touches has been repeated.
    Recommissioning,
}

/// One row of the fault table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultRow {
    /// Stable number, 1 to 127.
    pub number: u8,
    /// Short name.
    pub name: &'static str,
    /// What it demands.
    pub reaction: Reaction,
    /// How it is reset.
    pub reset: ResetRule,
    /// Longest time from the condition to the reaction.
    pub latency: &'static str,
    /// What was seen.
    pub what: &'static str,
    /// Why it matters.
    pub why: &'static str,
    /// What to check.
    pub check: &'static str,
}

macro_rules! fault_table {
    ($($code:ident = $number:literal, $reaction:ident, $reset:ident, $latency:literal, $name:literal, $what:literal, $why:literal, $check:literal;)*) => {
        /// A fault, by its stable number.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[repr(u8)]
        pub enum FaultCode {
            $(#[doc = $what] $code = $number,)*
        }

        impl FaultCode {
            /// Every fault, by number.
            pub const ALL: &'static [FaultCode] = &[$(FaultCode::$code,)*];

            /// The fault's row of the table.
            pub const fn row(self) -> FaultRow {
                match self {
                    $(FaultCode::$code => FaultRow {
                        number: $number,
                        name: $name,
                        reaction: Reaction::$reaction,
                        reset: ResetRule::$reset,
                        latency: $latency,
                        what: $what,
                        why: $why,
                        check: $check,
                    },)*
                }
            }

            /// What the fault demands.
            pub const fn reaction(self) -> Reaction {
                match self { $(FaultCode::$code => Reaction::$reaction,)* }
            }

            /// How the fault is reset.
            pub const fn reset_rule(self) -> ResetRule {
                match self { $(FaultCode::$code => ResetRule::$reset,)* }
            }
        }
    };
}

fault_table! {
    SignalLow = 1, ImmediateStop, Recommissioning, "3 frames where visible", "resolver signal low",
        "The amplitude of the resolver signal is below its window.",
        "A weak or missing winding bends the angle; every window and the top stop move with it.",
        "Resolver windings, plugs, screen, excitation; look at both amplitudes at rest and over one barred turn.";
    SignalHigh = 2, ImmediateStop, Recommissioning, "3 frames", "resolver signal high",
        "The amplitude of the resolver signal is above its window.",
        "A signal too large is not the resolver's own: a short to the supply or a wrong excitation.",
        "Excitation amplitude, shorts between windings and to the supply.";
    ExcitationLost = 3, ImmediateStop, Recommissioning, "3 frames", "excitation lost",
        "Neither winding carries a signal above the floor.",
        "Without excitation there is no angle.",
        "Excitation output, its wiring, the plug at the resolver.";
    SignalClipped = 4, ImmediateStop, Recommissioning, "3 frames", "converter clipped",
        "Converter codes at the end of the range.",
        "A clipped carrier understates its winding and bends the angle.",
        "Excitation amplitude, offset or short to the supply.";
    SignalOffset = 5, ImmediateStop, Recommissioning, "3 ticks", "winding offset",
        "A winding carries a direct voltage beyond its limit.",
        "A short to screen or supply; the next step is a clipped or missing winding.",
        "Insulation of the winding against screen and supply.";
    CarrierPhase = 6, ImmediateStop, KeyHolder, "3 ticks", "carrier phase",
        "The carrier is out of phase with its reference.",
        "Phase error loses amplitude and lets speed voltage into the angle.",
        "Reference wiring, cable capacitance, a resolver of another type.";
    SamplesFrozen = 7, ImmediateStop, Recommissioning, "5 ms both windings, 9 degrees one", "samples frozen",
        "The converter repeats the same codes.",
        "A stuck converter shows a standing crank while the press turns.",
        "Converter, its clock, its bus.";
    TrackingLost = 8, ImmediateStop, KeyHolder, "3 ticks", "tracking lost",
        "The tracking loop is further from the measured angle than any healthy motion explains.",
        "Angle and speed are then wrong.",
        "Signal noise, coupling, a jump of the angle.";
    DecodesDisagree = 9, ImmediateStop, KeyHolder, "3 frames", "decodes disagree",
        "The direct decode and the tracking loop disagree.",
        "One of the two is wrong, and nothing tells which.",
        "Noise; if it comes back, the processor.";
    AccelerationImpossible = 10, ImmediateStop, Recommissioning, "3 frames", "impossible acceleration",
        "The angle changes faster than clutch or brake can make it.",
        "A slipping coupling, a jumped tooth or a signal fault.",
        "Coupling, chain or belt, keyway, resolver body.";
    SpeedBeyondTracking = 11, ImmediateStop, KeyHolder, "3 frames", "speed beyond tracking range",
        "The crank turns faster than the receiver is set for.",
        "Beyond its range the angle is not to be trusted.",
        "Drive speed; the setting of the receiver.";
    WindingDrift = 12, Advise, ByItself, "1 turn", "winding drift",
        "Amplitude, offset, gain or quadrature moved away from the values stored at commissioning.",
        "A slow change of the sensor is the early sign of a broken one.",
        "Compare with the record; plan a check of resolver and cable.";
    NoisePersistent = 13, ImmediateStop, KeyHolder, "10 ms", "signal noise persists",
        "The signal was not usable for longer than prediction may bridge.",
        "Past 10 ms of prediction the angle is a guess.",
        "Screen and earth of the resolver cable, valve and drive cables near it.";
    WindingUnbalanced = 14, ImmediateStop, Recommissioning, "1 turn", "windings out of balance",
        "Offset, gain or quadrature moved so far from the stored values that the angle errs by degrees.",
        "Release, muting and limits are displaced, differently at every angle.",
        "Windings for a short between turns, cable and plugs; survey the balance again after repair.";
    ReceiversDisagree = 15, ImmediateStop, Recommissioning, "5 ms", "receivers disagree",
        "The two resolvers show different crank angles.",
        "One of the two is wrong, and nothing tells which.",
        "Drive, coupling and body of both resolvers; their zero offsets.";
    IndexContradicts = 16, ImmediateStop, Recommissioning, "1 turn, 1 index edge", "index contradicts angle",
        "The index switch is closed where it was never closed, or open where it was always closed.",
        "The resolver no longer turns with the crank as it did at zero capture.",
        "Coupling, chain or belt, tooth count, resolver body, wiring of the windings; the index switch.";
    IndexShifted = 17, TopStop, Recommissioning, "1 turn", "index shifted",
        "The index switch acts a few degrees from where it acted at commissioning.",
        "The resolver slips or the switch moved; a small slip is the start of a large one.",
        "Set screws and keys of the coupling, resolver body, mounting of the index switch.";
    IndexWanders = 18, Advise, ByItself, "20 turns", "index wanders",
        "The angle at which the index switch acts scatters more than it did.",
        "Play in the drive makes stops late one way and hides small motion.",
        "Chain or belt tension, coupling, bearings of the resolver and the switch.";
    NoMotion = 20, ImmediateStop, Operator, "its learned bound, at most 500 ms", "no motion on command",
        "The valve is on and the crank does not turn, or no longer.",
        "Somebody may reach in; the clutch may take up late.",
        "Clutch air, valve, both valve elements, drive of the resolver.";
    MotionAtRest = 21, SecondMeans, Recommissioning, "20 ms at clutch torque, 3 s at 1 degree/s", "motion at rest",
        "The crank moved with the valve off.",
        "A slide that starts or sinks by itself.",
        "Brake, counterbalance, valve leakage, clutch drag.";
    ReverseMotion = 22, ImmediateStop, KeyHolder, "10 degrees", "reverse motion",
        "The crank turns against normal travel.",
        "Windows, muting and the top stop hold for one direction only.",
        "Motor phases, resolver wiring.";
    Overspeed = 23, TopStop, Operator, "3 degrees beyond what the highest speed makes", "overspeed",
        "The crank turns faster than it was commissioned for, and goes on doing so.",
        "Stopping travel grows with the square of speed; the distance is no longer true.",
        "Drive setting; commission the new speed or go back to the old one.";
    SlowStart = 24, TopStop, Operator, "1 tick past the learned bound", "slow start",
        "The crank still gained speed after the time in which the clutch must have locked.",
        "A slipping clutch heats, wears, and moves the angle at which the slide comes to rest.",
        "Clutch lining and its wear, clutch air pressure, oil on the lining, load at the start.";
    BarringTooFast = 28, ImmediateStop, Operator, "1 tick", "barring too fast",
        "The crank turned faster than barring speed in the barring state.",
        "In the barring state only hand or turning gear may turn the crank.",
        "Flywheel at rest? Clutch released? Motor locked out?";
    ReleasePassed = 29, ImmediateStop, KeyHolder, "1 tick", "release angle passed",
        "The crank passed the late bound of the release angle with the valve on.",
        "The stop comes too late and the slide runs through the top.",
        "Settings, release table, speed at release.";
    StopTimeExceeded = 40, ImmediateStop, Recommissioning, "while the stop runs, 10 ms past the limit", "stopping time beyond latch limit",
        "A stop took longer than the latch limit.",
        "The safety distance rests on this limit.",
        "Brake lining, springs, valve and exhaust, air pressure, counterbalance.";
    StopTravelExceeded = 41, ImmediateStop, Recommissioning, "while the stop runs, 10 ms past the limit", "stopping travel beyond latch limit",
        "A stop travelled further than the latch limit.",
        "Travel tells delay from lost torque, and the slide may close further than allowed.",
        "As for stopping time; speed at the stop.";
    StopTimeAdvisory = 42, Advise, ByItself, "at standstill", "stopping time beyond advisory limit",
        "A stop took longer than the advisory limit.",
        "The brake or its valve is on the way to the latch limit.",
        "Trend of stopping time, its reaction and braking parts.";
    StopNotEnding = 43, SecondMeans, Recommissioning, "10 ms past the latch limit at speed, else twice the limit", "no standstill",
        "After the stop command the crank keeps its speed, or does not come to rest.",
        "Clutch not released, or the brake is lost.",
        "Valve elements, clutch, brake; do not restart.";
    TopStopOverrun = 44, ImmediateStop, KeyHolder, "at standstill", "overrun at the top",
        "A top stop came to rest past the overrun limit.",
        "The slide is on its way into the next closing stroke.",
        "Release angle, speed, brake.";
    TopStopShort = 45, Advise, ByItself, "at standstill", "top stop short of the window",
        "A top stop came to rest before the top window.",
        "The next stroke needs the slide at the top: inch to top.",
        "Release angle, speed, friction.";
    CompensationHalf = 46, Advise, ByItself, "at the update", "compensation at half its authority",
        "Top-stop compensation uses half of what it may.",
        "Compensation keeps the top stop in place while the brake gets worse.",
        "Stopping time trend, brake.";
    CompensationBound = 47, TopStop, Recommissioning, "at the update", "compensation at its bound",
        "Top-stop compensation reached its bound.",
        "Any further loss of the brake would be hidden by the compensation.",
        "Brake, valve, air; commission again after repair.";
    StopRatio = 48, Advise, ByItself, "at standstill", "mid-stroke against top stop",
        "Mid-stroke stops take longer, against top stops, than at commissioning.",
        "A lost counterbalance lengthens the one and shortens the other.",
        "Counterbalance pressure and setting for the die.";
    StopTrend = 49, Advise, ByItself, "24 stops for a shift of one deviation, 5 for three", "stopping time drifts",
        "Stopping times have moved from what commissioning found, by more than their scatter.",
        "Longer, the brake wears or fades; shorter, the limits are too generous for it.",
        "Lining, springs, air, oil; what was done to the brake since commissioning.";
    BrakeTemperature = 50, Advise, ByItself, "1 tick", "brake outside its temperatures",
        "The brake is warmer than the stops were commissioned with, or its thermal switch is open.",
        "A hot lining grips less and stops get longer; nothing is learned from such stops, and the limits judge them as before.",
        "Rate of stops, ventilation, a brake that drags, worn lining; let it cool. The thermal switch and its wire.";
    ValveElementStuck = 60, ImmediateStop, Recommissioning, "its learned bound; 150 ms before one is learned", "valve element late or stuck",
        "A valve element did not follow its drive in time.",
        "The other element still stops the press; the redundancy is gone.",
        "The named element, its pilot, its feedback.";
    CoilReadBack = 61, SecondMeans, Recommissioning, "100 ms", "output does not follow",
        "A coil is energised against its drive, or not energised although driven.",
        "A shorted driver would keep the clutch engaged.",
        "Output driver, wiring of the coil.";
    LimitChannelReadBack = 62, TopStop, Operator, "two periods of the read-back", "limit channel does not follow",
        "A limit channel and its read-back have differed for too long.",
        "A feed or an ejector may move when the die is closing on it.",
        "Output stage, welded contact, wiring of the read-back.";
    HandContactsDisagree = 70, ImmediateStop, KeyHolder, "300 ms", "palm button contacts disagree",
        "The two contacts of a palm button disagree.",
        "One contact of the pair no longer protects.",
        "The named button, its wiring.";
    ModeSelector = 71, ImmediateStop, Operator, "100 ms", "mode selector",
        "The mode selector shows no mode or more than one.",
        "An undefined mode is no mode.",
        "Selector contacts and wiring.";
    PermissiveAir = 72, ImmediateStop, Operator, "1 tick", "clutch or counterbalance air",
        "Clutch air or counterbalance air left its window while the press was moving.",
        "Low air slips and drags; high air lengthens the stop; a lost counterbalance lengthens mid-stroke stops.",
        "Supply, regulators, switches.";
    EmergencyContactsDisagree = 73, ImmediateStop, KeyHolder, "300 ms", "emergency-stop channels disagree",
        "One channel of the emergency-stop chain opened or closed without the other.",
        "A channel that no longer follows leaves a single one to stop the press.",
        "Both channels of the chain, each button, for a short or a welded contact.";
    PresenceContactsDisagree = 74, ImmediateStop, KeyHolder, "100 ms", "presence-sensing channels disagree",
        "One output of the presence sensing switched without the other.",
        "An output that stays on can not tell of a hand.",
        "Both outputs of the device, wiring, short to the supply.";
    GuardContactsDisagree = 75, ImmediateStop, KeyHolder, "300 ms", "guard contacts disagree",
        "The two contacts of a guard say different things.",
        "A guard taken for closed is no guard.",
        "Both contacts, the actuator, its fixing; somebody may have defeated it.";
    SettingsInvalid = 90, ImmediateStop, Recommissioning, "before the next stroke", "settings not valid",
        "Settings are missing, damaged or do not agree with each other.",
        "No window and no limit can be relied on.",
        "Restore the commissioned settings and check them against the record.";
    TickLate = 91, ImmediateStop, KeyHolder, "1 tick", "tick late",
        "The tick came late, early or not at all.",
        "A late tick is a late stop command.",
        "Processor load, interrupts, clock.";
    ImpossibleState = 92, SecondMeans, Recommissioning, "1 tick", "impossible state",
        "The controller found itself in a state that cannot be.",
        "Memory or program is damaged.",
        "Do not restart; replace the unit.";
    StoredFault = 93, ImmediateStop, KeyHolder, "at power-up", "stored fault",
        "A latched fault, or a start without its stop, was found at power-up.",
        "Switching off does not clear a fault.",
        "Read the journal; clear the cause; reset.";
    PeerSilent = 94, ImmediateStop, KeyHolder, "3 ticks", "second channel silent",
        "No good message of the other channel came for three ticks.",
        "One channel alone sees only what it can see itself.",
        "The other controller, its supply, the line between the two.";
    PeerDisagrees = 95, ImmediateStop, KeyHolder, "3 ticks for angle and speed, 10 for trust, 60 for what is done and permitted, 90 for the end of a stop, 1 s for the clocks", "channels disagree",
        "Angle, speed, trust, stroke, permit or clock of the two channels differ by more than health explains.",
        "One of the two is wrong, and nothing tells which.",
        "Inputs wired to one channel only, both resolvers, settings of both.";
    PeerStopped = 96, ImmediateStop, Operator, "2 ticks", "second channel has stopped",
        "The other channel has latched a fault and stopped.",
        "Neither channel drives the press alone.",
        "The other channel's latch: that is where the cause is.";
    PeerLatched = 97, TopStop, Operator, "2 ticks", "second channel has latched",
        "The other channel has latched a fault and lets the stroke end.",
        "Both rest at the top together.",
        "The other channel's latch: that is where the cause is.";
    MemoryDamaged = 98, SecondMeans, Recommissioning, "1 tick; settings 19 ticks, limit channels 17", "memory damaged",
        "A critical word and its inverse differ, or the settings or the limit channels of the job are no longer those that were adopted.",
        "What the controller decides by is no longer what was checked.",
        "Do not restart; replace the unit.";
    JournalGap = 99, ImmediateStop, KeyHolder, "at power-up", "journal incomplete",
        "Entries of the journal are missing, or it is empty while settings are stored.",
        "A latch or a start without its stop may be among what is lost.",
        "What happened before the supply went away; the flash.";
    OtherPress = 100, ImmediateStop, Recommissioning, "at the first whole turn", "settings of another press",
        "What was measured does not fit the press the settings belong to.",
        "Limits and angles of another press are in force.",
        "Which unit, which press; commission again.";
}

/// Each fault at the place of its number.
static BY_NUMBER: [Option<FaultCode>; 128] = {
    let mut table = [None; 128];
    let mut rest = FaultCode::ALL;
    while let [code, others @ ..] = rest {
        // Made while compiling: a number of 128 or more does not compile.
        #[allow(clippy::indexing_slicing)]
        {
            table[*code as usize] = Some(*code);
        }
        rest = others;
    }
    table
};

impl FaultCode {
    /// The fault with this number, if there is one.
    pub fn from_number(number: u8) -> Option<Self> {
        BY_NUMBER.get(usize::from(number)).copied().flatten()
    }

    /// Its stable number.
    pub const fn number(self) -> u8 {
        self as u8
    }
}

/// A set of faults.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultSet(u128);

impl FaultSet {
    /// No fault.
    pub const EMPTY: Self = Self(0);

    /// Set with `code` added.
    #[must_use]
    pub const fn with(self, code: FaultCode) -> Self {
        // Numbers are below 128, so the shift cannot overflow.
        Self(self.0 | 1u128.wrapping_shl(code as u32))
    }

    /// Set with `code` added when `present`.
    #[must_use]
    pub const fn with_if(self, code: FaultCode, present: bool) -> Self {
        if present { self.with(code) } else { self }
    }

    /// Both sets together.
    #[must_use]
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// The set in one word: any single fault more or less changes it.
    pub const fn to_word(self) -> u32 {
        let high = (self.0 >> 64) as u64;
        let folded = self.0 as u64 ^ high;
        (folded >> 32) as u32 ^ folded as u32
    }

    /// This set without the faults of the other.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Every fault that demands `reaction` or a harder one.
    pub const fn demanding(reaction: Reaction) -> Self {
        let mut set = Self::EMPTY;
        let mut rest = FaultCode::ALL;
        while let [code, others @ ..] = rest {
            set = set.with_if(*code, code.reaction() as u8 >= reaction as u8);
            rest = others;
        }
        set
    }

    /// Whether both sets hold a fault.
    pub const fn meets(self, other: Self) -> bool {
        !self.intersection(other).is_empty()
    }

    /// What both sets hold.
    #[must_use]
    pub const fn intersection(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// Whether `code` is in the set.
    pub const fn contains(self, code: FaultCode) -> bool {
        self.0 & 1u128.wrapping_shl(code as u32) != 0
    }

    /// Whether the set is empty.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The faults of the set, by number. A tick walks several sets that are empty or nearly so:
    /// it costs what is in them.
    pub fn iter(self) -> impl Iterator<Item = FaultCode> {
        let mut left = self.0;
        core::iter::from_fn(move || {
            // 128 when nothing is left, and no fault has that number.
            let lowest = left.trailing_zeros() as usize;
            left &= left.wrapping_sub(1);
            BY_NUMBER.get(lowest).copied().flatten()
        })
    }

    /// The hardest reaction any fault of the set demands.
    pub fn reaction(self) -> Option<Reaction> {
        self.iter().map(FaultCode::reaction).max()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_unique_ascending_and_fit_the_set() {
        assert!(FaultCode::ALL.is_sorted_by_key(|code| *code as u8));
        assert!(FaultCode::ALL.is_sorted_by(|a, b| (*a as u8) < (*b as u8)));
        assert!(
            FaultCode::ALL
                .iter()
                .all(|code| (1..128).contains(&(*code as u8)))
        );
    }

    #[test]
    fn a_set_lists_what_was_put_in_by_number() {
        let all = FaultCode::ALL.iter().copied();
        let set = all.clone().fold(FaultSet::EMPTY, FaultSet::with);
        assert!(set.iter().eq(all));
        assert_eq!(FaultSet::EMPTY.iter().next(), None);
        for number in 0..=u8::MAX {
            let code = FaultCode::from_number(number);
            let listed = FaultCode::ALL.iter().find(|code| code.number() == number);
            assert_eq!(code.as_ref(), listed);
        }
    }

    #[test]
    fn the_hardest_reaction_wins() {
        let set = FaultSet::EMPTY
            .with(FaultCode::StopTimeAdvisory)
            .with(FaultCode::MotionAtRest);
        assert_eq!(set.reaction(), Some(Reaction::SecondMeans));
        assert_eq!(FaultSet::EMPTY.reaction(), None);
    }
}
