//! What the readers make of a line's file, and the line written out again.

mod abc;
mod command;
mod musicxml;
mod smf;
mod write;
