//! Carrier frames of a press that rests, accelerates, turns and brakes, in integers: a sine table
//! and two additions a sample.

use stopwright_core::angle::ElectricalAngle;
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::trig::sin_cos;

pub struct Motion {
    angle: u32,
    /// Counts a sample.
    speed: i32,
    ticks: u32,
    noise: u32,
}

/// 600 strokes per minute at 8 samples in 200 µs.
const SPEED: i32 = 1_073_742;
const CARRIER: [i32; SAMPLES_PER_FRAME] = [0, 1_273, 1_800, 1_273, 0, -1_273, -1_800, -1_273];

impl Motion {
    pub const fn new() -> Self {
        Self {
            angle: 1 << 29,
            speed: 0,
            ticks: 0,
            noise: 1,
        }
    }

    pub fn tick(&mut self) -> [CarrierFrame; FRAMES_PER_TICK] {
        self.ticks += 1;
        self.speed = match self.ticks {
            0..100 => 0,
            100..120 => self.speed + SPEED / 20,
            120..460 => SPEED,
            460..520 => self.speed - SPEED / 60,
            _ => 0,
        };
        [(); FRAMES_PER_TICK].map(|()| self.frame())
    }

    /// A tick at a speed that nears `target` by `step`, counts a sample.
    pub fn towards(&mut self, target: i32, step: i32) -> [CarrierFrame; FRAMES_PER_TICK] {
        self.speed += (target - self.speed).clamp(-step, step);
        [(); FRAMES_PER_TICK].map(|()| self.frame())
    }

    fn frame(&mut self) -> CarrierFrame {
        let mut frame = CarrierFrame {
            sine: [0; SAMPLES_PER_FRAME],
            cosine: [0; SAMPLES_PER_FRAME],
        };
        for k in 0..SAMPLES_PER_FRAME {
            let (sine, cosine) = sin_cos(ElectricalAngle::from_bits(self.angle));
            frame.sine[k] = self.code(CARRIER[k] * i32::from(sine));
            frame.cosine[k] = self.code(CARRIER[k] * i32::from(cosine));
            self.angle = self.angle.wrapping_add(self.speed as u32);
        }
        frame
    }

    fn code(&mut self, value: i32) -> u16 {
        self.noise = self
            .noise
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        let noise = (self.noise >> 30) as i32 - 1;
        (2_048 + (value >> 15) + noise).clamp(0, 4_095) as u16
    }
}
