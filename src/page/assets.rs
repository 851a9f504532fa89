//! The files of the page, compiled in.

use axum::Router;
use axum::http::header::CONTENT_TYPE;
use axum::response::Redirect;
use axum::routing::get;

const FILES: [(&str, &str, &str); 4] = [
    (
        "/",
        "text/html; charset=utf-8",
        include_str!("assets/page.html"),
    ),
    (
        "/page.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/page.js"),
    ),
    (
        "/page.css",
        "text/css; charset=utf-8",
        include_str!("assets/page.css"),
    ),
    (
        "/icon.svg",
        "image/svg+xml",
        include_str!("assets/icon.svg"),
    ),
];

/// The files under `prefix`, which is also led to the page itself.
pub fn routes(prefix: &str) -> Router {
    let page = format!("{prefix}/");
    let router = Router::new().route(prefix, get(move || async move { Redirect::to(&page) }));
    FILES
        .into_iter()
        .fold(router, |router, (path, kind, content)| {
            let file = get(move || async move { ([(CONTENT_TYPE, kind)], content) });
            router.route(&format!("{prefix}{path}"), file)
        })
}
