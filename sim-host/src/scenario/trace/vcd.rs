//! A trace as a value change dump (IEEE 1364-2005, clause 18, from memory): real variables, wires
//! and 16-bit vectors in one module, microseconds. A value is written when it changes; one that is
//! not known is x, or for a real variable simply keeps its last value, as the format has no other
//! way.

use super::{Shape, Signal, Sink};
use std::io::{Result, Write};
use vcd::{IdCode, TimescaleUnit, Value, VarType};

const WORD_BITS: u32 = 16;

pub(super) struct Vcd<W: Write> {
    writer: vcd::Writer<W>,
    variables: Vec<(IdCode, Shape)>,
    /// The values written last, as bits: equal numbers are not changes.
    last: Vec<Option<u64>>,
}

impl<W: Write> Vcd<W> {
    pub(super) fn new(out: W, signals: &[&'static Signal]) -> Result<Self> {
        let mut writer = vcd::Writer::new(out);
        writer.comment("simulated press of Stopwright; a model, no evidence about a real press")?;
        writer.timescale(1, TimescaleUnit::US)?;
        writer.add_module("press")?;
        let mut variables = Vec::with_capacity(signals.len());
        for signal in signals {
            let (kind, width) = match signal.shape {
                Shape::Real => (VarType::Real, 64),
                Shape::Bit => (VarType::Wire, 1),
                Shape::Word => (VarType::Wire, WORD_BITS),
            };
            variables.push((
                writer.add_var(kind, width, signal.name, None)?,
                signal.shape,
            ));
        }
        writer.upscope()?;
        writer.enddefinitions()?;
        Ok(Self {
            writer,
            last: vec![None; variables.len()],
            variables,
        })
    }

    fn change(&mut self, id: IdCode, shape: Shape, value: f64) -> Result<()> {
        let is_known = value.is_finite();
        match shape {
            Shape::Real => self.writer.change_real(id, value),
            Shape::Bit if is_known => self.writer.change_scalar(id, value != 0.0),
            Shape::Bit => self.writer.change_scalar(id, Value::X),
            Shape::Word if is_known => {
                let word = value as u16;
                let bits = (0..WORD_BITS)
                    .rev()
                    .map(|bit| Value::from(word >> bit & 1 == 1));
                self.writer.change_vector(id, bits)
            }
            Shape::Word => self
                .writer
                .change_vector(id, std::iter::repeat_n(Value::X, WORD_BITS as usize)),
        }
    }
}

impl<W: Write> Sink for Vcd<W> {
    fn row(&mut self, time_us: u64, values: &[f64]) -> Result<()> {
        let mut is_timed = false;
        for (index, &value) in values.iter().enumerate() {
            let Some(&(id, shape)) = self.variables.get(index) else {
                continue;
            };
            let is_same = self.last[index] == Some(value.to_bits());
            if is_same || shape == Shape::Real && !value.is_finite() {
                continue;
            }
            if !is_timed {
                self.writer.timestamp(time_us)?;
                is_timed = true;
            }
            self.change(id, shape, value)?;
            self.last[index] = Some(value.to_bits());
        }
        Ok(())
    }

    fn end(&mut self) -> Result<()> {
        self.writer.flush()
    }
}
