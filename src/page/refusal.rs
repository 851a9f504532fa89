//! What could not be done, as a sentence for the page.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

/// A sentence that says what to change, and the status it travels under.
#[derive(Debug)]
pub struct Refusal(pub StatusCode, pub String);

impl Refusal {
    /// What was sent cannot be understood or used. Browsers write an answer of 400 and more
    /// into their console as an error of the page; that a file is no music is none, and travels
    /// as an answer.
    pub fn unusable(why: impl std::fmt::Display) -> Refusal {
        Refusal(StatusCode::OK, sentence(&why.to_string()))
    }

    /// Something of ours failed: the disk, mostly.
    pub fn failed(why: impl std::fmt::Display) -> Refusal {
        Refusal(
            StatusCode::INTERNAL_SERVER_ERROR,
            sentence(&why.to_string()),
        )
    }

    /// Only the last files are kept.
    pub fn gone(what: &str) -> Refusal {
        Refusal(
            StatusCode::NOT_FOUND,
            format!("This {what} is no longer kept here: choose it again."),
        )
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.0, Json(serde_json::json!({ "error": self.1 }))).into_response()
    }
}

/// First letter large, full stop at the end: messages of the library are written to stand
/// after a colon. A file's name stays as it is.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let Some(first) = letters.next() else {
        return String::new();
    };
    let is_name = text
        .split_whitespace()
        .next()
        .is_some_and(|word| word.trim_end_matches(['.', ':']).contains('.'));
    let mut sentence: String = if is_name {
        text.into()
    } else {
        first.to_uppercase().chain(letters).collect()
    };
    if !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}
