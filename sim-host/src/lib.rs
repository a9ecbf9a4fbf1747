//! The host side of Stopwright: simulated presses, the rehearsal of a whole commissioning on one of
//! them, the study of recorded stops, and the record that both leave behind.
//!
//! It is a model and a verification aid. It is not certified, and it is never the safeguard of a
//! real press; local codes and licensed practice govern.
//!
//! Floors, lowest first; a module uses lower floors only (`tests/layering` keeps it so):
//!
//! | floor | modules |
//! | --- | --- |
//! | 0 words | [`prng`], [`units`], [`toml_check`], [`kinematics`], [`statistics`] |
//! | 1 press | [`press`], [`stop_curve`], [`distance`] |
//! | 2 world | [`plant`], [`resolver`], [`index_switch`], [`load`], [`limits`], [`control`], [`settings_file`] |
//! | 3 bench | [`bench`](mod@bench) |
//! | 4 operator | [`operator`] |
//! | 5 record | [`record`] |
//! | 6 work | [`study`], [`outcome`] |
//! | 7 judgement | [`assess`] |
//! | 8 rehearsal | [`rehearse`] |
//! | 9 scenario | [`scenario`] |
//! | 10 command | [`cli`] |

pub mod assess;
pub mod bench;
pub mod cli;
pub mod control;
pub mod distance;
pub mod index_switch;
pub mod kinematics;
pub mod limits;
pub mod load;
pub mod operator;
pub mod outcome;
pub mod plant;
pub mod press;
pub mod prng;
pub mod record;
pub mod rehearse;
pub mod resolver;
pub mod scenario;
pub mod settings_file;
pub mod statistics;
pub mod stop_curve;
pub mod study;
pub mod toml_check;
pub mod units;
