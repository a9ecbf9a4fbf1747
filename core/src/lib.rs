//! The core of Stopwright: a model of the rotary-position control of a part-revolution
//! mechanical power press. Carrier frames of a resolver and the press's inputs go in once a tick;
//! valve drives, indication and evidence come out.
//!
//! It is a model and a verification aid. It is not certified, and it is never the safeguard of a
//! real press.
//!
//! Floors, lowest first; a module uses lower floors only (`tests/layering` keeps it so):
//!
//! | floor | modules |
//! | --- | --- |
//! | 0 words | [`angle`], [`time`], [`speed`], [`signal`], [`fault`] |
//! | 1 arithmetic | [`trig`], [`speed_window`], [`stop_curve`] |
//! | 2 resolver | [`demodulator`], [`balance`], [`tracking`], [`integrity`], [`zero_offset`] |
//! | 3 receiver | [`receiver`] |
//! | 4 press | [`two_hand`], [`contacts`], [`valve_pair`], [`learned_bound`], [`motion`], [`stop_time`], [`top_stop`], [`limit_channels`], [`safety_distance`], [`press_identity`] |
//! | 5 decision | [`stroke`], [`fault_latch`] |
//! | 6 permission | [`interlock`], [`muting`] |
//! | 7 settings | [`settings`], [`job`], [`codec`] |
//! | 8 controller | [`controller`] |
//! | 9 around it | [`health`], [`peer`], [`poll`], `store` and `journal` (feature `store`), `hal` (feature `hal`) |
//!
//! No allocation, no unsafe code, no floating point, no panic path.
#![no_std]
#![forbid(unsafe_code)]

#[cfg(test)]
extern crate std;

pub mod angle;
pub mod balance;
pub mod codec;
pub mod contacts;
pub mod controller;
pub mod demodulator;
pub mod fault;
pub mod fault_latch;
#[cfg(feature = "hal")]
pub mod hal;
pub mod health;
pub mod integrity;
pub mod interlock;
pub mod job;
#[cfg(feature = "store")]
pub mod journal;
pub mod learned_bound;
pub mod limit_channels;
pub mod motion;
pub mod muting;
pub mod peer;
pub mod poll;
pub mod press_identity;
pub mod receiver;
pub mod safety_distance;
pub mod settings;
pub mod signal;
pub mod speed;
pub mod speed_window;
pub mod stop_curve;
pub mod stop_time;
#[cfg(feature = "store")]
pub mod store;
pub mod stroke;
pub mod time;
pub mod top_stop;
pub mod tracking;
pub mod trig;
pub mod two_hand;
pub mod valve_pair;
pub mod zero_offset;
