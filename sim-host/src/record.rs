//! The record: the document that a commissioning or a study leaves behind.
//!
//! The idea: everything that was measured, decided and left open is gathered in one plain value,
//! [`Record`], and every file of the folder is a pure function of it. Equal records give equal
//! files, byte for byte: no clock, no path of the machine, no random draw enters here.
//!
//! It refuses to judge. Whoever fills a record has already decided what passed; the record shows
//! it with its evidence and says what is missing. It also refuses to contradict itself: see
//! [`consistency`].

pub mod consistency;
pub mod csv;
pub mod folder;
pub mod html;
pub mod json;
pub mod model;
pub mod numbers;
pub mod plots;
pub mod text;

pub use model::*;
