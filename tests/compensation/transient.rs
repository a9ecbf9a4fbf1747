//! Ten fast stops and then the brake as it was.

use crate::run::{PRESSES, Production};

#[test]
fn ten_fast_stops_never_carry_the_next_past_the_top() {
    for letter in PRESSES {
        let mut production = Production::new(letter);
        let (_, late_deg) = production.bounds_deg();
        let mut before_deg: f64 = 0.0;
        for _ in 0..3 {
            before_deg = before_deg.max(production.stroke().offset_deg);
        }
        // More, and press G would rest short of the window: that is an advice of its own.
        production.set_brake(1.15);
        let mut fast_deg: f64 = -360.0;
        for _ in 0..10 {
            let stroke = production.stroke();
            assert!(stroke.latched.is_empty(), "press {letter}");
            fast_deg = fast_deg.max(stroke.truth.overrun_deg);
            // Thirteen stops are not the twenty that may move it later.
            assert!(
                stroke.offset_deg <= before_deg,
                "press {letter}: {}",
                stroke.offset_deg
            );
        }
        production.set_brake(1.0);
        let mut worst_deg: f64 = -360.0;
        for _ in 0..5 {
            let stroke = production.stroke();
            assert!(stroke.latched.is_empty(), "press {letter}");
            worst_deg = worst_deg.max(stroke.truth.overrun_deg);
        }
        println!("press {letter}: fast stops to {fast_deg:.2}, then {worst_deg:.2} degrees");
        assert!(
            fast_deg < worst_deg,
            "press {letter}: the brake made no difference"
        );
        assert!(worst_deg < 5.0 + late_deg, "press {letter}: {worst_deg}");
    }
}
