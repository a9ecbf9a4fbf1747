//! Runs a future without an executor: it is polled again and again with a waker that does nothing.
//! That suits flash drivers, which wait for a device and not for an event; and it needs neither an
//! allocator nor an interrupt.
//!
//! A poll that never becomes ready must not hang the caller, so the number of polls is bounded; or
//! the caller polls once and goes on with its own work in between.

use core::pin::{Pin, pin};
use core::task::{Context, Poll, Waker};

/// The future was not ready within the bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NotReady;

/// Polls `future` until it is ready.
///
/// # Errors
/// [`NotReady`] after `polls_max` polls.
pub fn run<F: Future>(future: F, polls_max: u32) -> Result<F::Output, NotReady> {
    let mut future = pin!(future);
    for _ in 0..polls_max {
        if let Some(output) = once(future.as_mut()) {
            return Ok(output);
        }
        core::hint::spin_loop();
    }
    Err(NotReady)
}

/// Polls `future` once; `None` while it is not ready. After it was ready it must not be polled
/// again.
pub fn once<F: Future>(future: Pin<&mut F>) -> Option<F::Output> {
    let mut context = Context::from_waker(Waker::noop());
    match future.poll(&mut context) {
        Poll::Ready(output) => Some(output),
        Poll::Pending => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ready at the poll after `0` pending ones.
    struct After(u32);

    impl Future for After {
        type Output = &'static str;

        fn poll(mut self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Self::Output> {
            match self.0.checked_sub(1) {
                Some(left) => {
                    self.0 = left;
                    Poll::Pending
                }
                None => Poll::Ready("ready"),
            }
        }
    }

    #[test]
    fn a_future_is_polled_until_it_is_ready_and_no_longer_than_allowed() {
        assert_eq!(run(After(9), 10), Ok("ready"));
        assert_eq!(run(After(10), 10), Err(NotReady));
    }
}
