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
//! | 0 words | [`angle`], [`time`], [`signal`], [`fault`], [`quotient`] |
//! | 1 derived words | [`speed`] |
//! | 2 arithmetic | [`checksum`], [`digest`], [`trig`], [`speed_window`], [`stop_curve`] |
//! | 3 resolver | [`demodulator`], [`balance`], [`tracking`], [`zero_offset`] |
//! | 4 trust | [`integrity`] |
//! | 5 receiver | [`receiver`] |
//! | 6 press | [`two_hand`], [`valve_pair`], [`motion`], [`stop_time`], [`top_stop`], [`safety_distance`], [`contacts`], [`learned_bound`], [`limit_channels`], [`run_in`], [`press_identity`] |
//! | 7 decision | [`stroke`], [`fault_latch`], [`stop_trend`] |
//! | 8 permission | [`interlock`], [`muting`], [`peer`] |
//! | 9 settings | [`settings`] |
//! | 10 job | [`job`] |
//! | 11 storage | [`codec`] |
//! | 12 self-watch | [`health`] |
//! | 13 controller | [`controller`] |
//! | 14 board | [`poll`], `store`, `hal` |
//! | 15 record | `journal` |
//!
//! `store` and `journal` come with the feature of the name store, `hal` with the feature hal.
//!
//! No allocation, no unsafe code, no floating point, no panic path.
#![no_std]
#![forbid(unsafe_code)]

#[cfg(test)]
extern crate std;

pub mod angle;
pub mod balance;
pub mod checksum;
pub mod codec;
pub mod contacts;
pub mod controller;
pub mod demodulator;
pub mod digest;
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
pub mod quotient;
pub mod receiver;
pub mod run_in;
pub mod safety_distance;
pub mod settings;
pub mod signal;
pub mod speed;
pub mod speed_window;
pub mod stop_curve;
pub mod stop_time;
pub mod stop_trend;
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
