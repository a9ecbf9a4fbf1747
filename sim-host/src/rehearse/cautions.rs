//! The cautions before each step that turns the crank. On a simulated press they protect nobody;
//! a rehearsal that left them out would teach the wrong habit.

/// A step that turns the crank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Turning by hand or turning gear.
    Barring,
    /// The motor is started, the clutch used for the first time.
    FirstStrokes,
    /// Stops on purpose, again and again.
    StopMatrix,
    /// Production strokes under the commissioned settings.
    Strokes,
    /// Faults on purpose.
    Drills,
}

impl Step {
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Barring => "barring",
            Self::FirstStrokes => "first strokes",
            Self::StopMatrix => "stop matrix",
            Self::Strokes => "strokes under compensation",
            Self::Drills => "drills",
        }
    }

    pub(super) const fn cautions(self) -> &'static [&'static str] {
        match self {
            Self::Barring => &[
                "Lock out and tag the main motor; prove that the flywheel is at rest.",
                "Bleed or secure the clutch air; leave the counterbalance as it is set.",
                "Take the safety blocks out before the crank is turned, and put them back before \
                 anybody reaches between the dies.",
                "One person turns the bar and gives the word; nobody else is in reach of the slide.",
            ],
            Self::FirstStrokes => &[
                "Bar removed and in its holder, safety blocks out and in their interlock, lock-out \
                 taken off by those who put it on.",
                "No tooling in the press, guards closed, two-hand actuation only, everybody clear.",
                "Stay at the emergency stop until the first stop has come to rest where it was \
                 expected.",
            ],
            Self::StopMatrix => &[
                "Bar removed, safety blocks out, guards closed, everybody clear of the slide.",
                "Stops in mid-stroke leave the slide up: nothing but the brake holds it. Block it \
                 before reaching in.",
            ],
            Self::Strokes => {
                &["Bar removed, safety blocks out, guards closed, everybody clear of the slide."]
            }
            Self::Drills => &[
                "Bar removed, safety blocks out, guards closed; with a fault injected on purpose the \
                 press may not stop: nobody within reach, no tooling, one hand at the emergency stop.",
                "Undo each injected fault before the next, and prove that it is undone.",
            ],
        }
    }
}
