//! An index switch on the crankshaft: closed over one arc of every turn, by true crank angle, since
//! it does not share the resolver's drive.

use crate::prng;
use rand_distr::{Distribution, StandardNormal};

/// An index switch as it is mounted. Set what breaks and go on.
#[derive(Clone, Debug, PartialEq)]
pub struct IndexSwitch {
    /// It closes here in normal travel, degrees after top dead centre.
    pub closes_deg: f64,
    /// It opens here.
    pub opens_deg: f64,
    /// It follows the crank by so much later, s: a proximity switch takes 0.2 to 1 ms (from
    /// memory).
    pub response_s: f64,
    /// Its edges scatter about their places from turn to turn by so much, degrees, one sigma.
    pub wander_deg: f64,
    /// Its mounting has moved by so much since it was set, degrees in normal travel.
    pub moved_deg: f64,
    /// Its contact shows this, whatever the crank does.
    pub stuck: Option<bool>,
    /// Seed of the scatter.
    pub seed: u64,
}

impl Default for IndexSwitch {
    /// Closed over 60 degrees of the opening stroke, where no stop is commanded and nobody waits.
    fn default() -> Self {
        Self {
            closes_deg: 210.0,
            opens_deg: 270.0,
            response_s: 0.5e-3,
            wander_deg: 0.05,
            moved_deg: 0.0,
            stuck: None,
            seed: 0,
        }
    }
}

impl IndexSwitch {
    /// Whether it is closed with the crank at `angle_rad` of net travel, turning at `speed_rad_s`.
    pub fn is_closed(&self, angle_rad: f64, speed_rad_s: f64) -> bool {
        if let Some(shown) = self.stuck {
            return shown;
        }
        let seen_deg = (angle_rad - speed_rad_s * self.response_s).to_degrees() - self.moved_deg;
        let turn = (seen_deg / 360.0).floor();
        let in_turn_deg = seen_deg - 360.0 * turn;
        let closes_deg = self.closes_deg + self.scatter_deg(turn, 0);
        let opens_deg = self.opens_deg + self.scatter_deg(turn, 1);
        if closes_deg <= opens_deg {
            (closes_deg..opens_deg).contains(&in_turn_deg)
        } else {
            !(opens_deg..closes_deg).contains(&in_turn_deg)
        }
    }

    /// Where one edge of one turn lies beside its place: the same however often it is passed.
    fn scatter_deg(&self, turn: f64, edge: u64) -> f64 {
        if self.wander_deg == 0.0 {
            return 0.0;
        }
        let number = (turn as i64 as u64).wrapping_mul(2).wrapping_add(edge);
        let mut stream = prng::numbered_stream(self.seed, "index switch", number);
        let normal: f64 = StandardNormal.sample(&mut stream);
        self.wander_deg * normal
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_arc_across_the_top_is_closed_on_both_sides_of_it() {
        let switch = IndexSwitch {
            closes_deg: 350.0,
            opens_deg: 10.0,
            wander_deg: 0.0,
            ..IndexSwitch::default()
        };
        let at = |deg: f64| switch.is_closed(deg.to_radians(), 0.0);
        assert!(at(-5.0) && at(355.0) && at(5.0) && at(720.0));
        assert!(!at(180.0) && !at(15.0) && !at(-15.0));
    }

    #[test]
    fn a_turning_crank_is_seen_later() {
        let switch = IndexSwitch {
            wander_deg: 0.0,
            ..IndexSwitch::default()
        };
        let past = 210.5_f64.to_radians();
        assert!(switch.is_closed(past, 0.0));
        assert!(!switch.is_closed(past, 100.0));
    }
}
