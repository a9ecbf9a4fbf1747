//! Progress on the terminal while long work goes on; plain lines where there is no terminal.

use crate::rehearse::Watch;
use indicatif::{ProgressBar, ProgressStyle};

/// A bar per step, cautions in between.
pub(super) struct Progress {
    bar: Option<ProgressBar>,
    quiet: bool,
}

impl Progress {
    /// `quiet` shows cautions only.
    pub(super) fn new(quiet: bool) -> Self {
        Self { bar: None, quiet }
    }

    pub(super) fn finish(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

impl Watch for Progress {
    fn step(&mut self, name: &str, parts: u32) {
        self.finish();
        if self.quiet {
            return;
        }
        let bar = ProgressBar::new(u64::from(parts));
        let style = ProgressStyle::with_template("{msg:42} {wide_bar} {pos}/{len}");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        bar.set_message(name.to_owned());
        self.bar = Some(bar);
    }

    fn tick(&mut self) {
        if let Some(bar) = &self.bar {
            bar.inc(1);
        }
    }

    fn caution(&mut self, step: &str, text: &str) {
        self.finish();
        eprintln!("CAUTION ({step}) {text}");
    }
}
