//! The page in a real browser, and the marked part.

mod browser;
#[cfg(feature = "engrave")]
mod lengthened;
#[cfg(feature = "engrave")]
mod marked_part;
mod refusals;
mod support;
