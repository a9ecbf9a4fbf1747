//! What the converter delivers and what is made of it: converter codes, carrier frames, winding
//! amplitudes.

/// Sample pairs in one carrier frame: one excitation period.
pub const SAMPLES_PER_FRAME: usize = 8;
/// Carrier frames in one tick.
pub const FRAMES_PER_TICK: usize = 5;
/// Converter code of zero volts: the middle of a 12-bit converter.
pub const CODE_ZERO: u16 = 2_048;
/// Highest converter code; it and code 0 mean clipping.
pub const CODE_MAX: u16 = 4_095;

/// The samples of one excitation period: 12-bit converter codes, 0 to 4095, of the sine and the
/// cosine winding, taken together at eight equal steps of the excitation's phase, the first at
/// the excitation's upward zero crossing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CarrierFrame {
    /// Sine winding, converter codes.
    pub sine: [u16; SAMPLES_PER_FRAME],
    /// Cosine winding, converter codes.
    pub cosine: [u16; SAMPLES_PER_FRAME],
}

impl CarrierFrame {
    /// Zero volts on both windings: what an input shows to which nothing is connected.
    pub const SILENT: Self = Self {
        sine: [CODE_ZERO; SAMPLES_PER_FRAME],
        cosine: [CODE_ZERO; SAMPLES_PER_FRAME],
    };
}

/// Carrier amplitudes of both windings after synchronous detection. 32 767 stands for a carrier
/// that fills the converter's range (an amplitude of 2048 codes).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct WindingAmplitudes {
    /// Sine winding, in phase with the excitation.
    pub sine: i16,
    /// Cosine winding, in phase with the excitation.
    pub cosine: i16,
}
