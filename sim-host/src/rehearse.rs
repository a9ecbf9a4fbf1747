//! The rehearsal.
mod balance;
mod drills;
mod function_checks;
mod matrix;
mod preparation;
mod sensor;

/// Watches a rehearsal.
pub trait Watch {
    /// A step begins, of so many parts.
    fn step(&mut self, name: &str, parts: u32);
    /// A part is done.
    fn tick(&mut self);
    /// A caution.
    fn caution(&mut self, step: &str, text: &str);
}
