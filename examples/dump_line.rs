use passagework::line::{musicxml, order};
use std::io::Write;
fn main() {
    let out = std::io::stdout();
    let mut out = std::io::BufWriter::new(out.lock());
    for path in std::io::stdin().lines() {
        let path = path.unwrap();
        let bytes = std::fs::read(&path).unwrap();
        let begun = std::time::Instant::now();
        let score = musicxml::read(&bytes, None);
        let ms = begun.elapsed().as_secs_f64() * 1e3;
        let value = match score {
            Err(e) => serde_json::json!({"path": path, "ms": ms, "error": e.to_string()}),
            Ok(score) => {
                let parts: Vec<_> = (0..score.parts.len())
                    .map(|i| {
                        let rows = |as_written| {
                            let line = order::play_out(&score, i, as_written);
                            line.notes
                                .iter()
                                .map(|n| {
                                    serde_json::json!([
                                        n.onset_quarters, n.duration_quarters, n.written.to_string(),
                                        n.written.midi(), n.sounding_midi, n.grace, n.slurred, n.bar, n.beat
                                    ])
                                })
                                .collect::<Vec<_>>()
                        };
                        let line = order::play_out(&score, i, false);
                        serde_json::json!({"name": score.parts[i].name, "key": line.key, "tempo": line.tempo, "transpose": score.parts[i].transpose_semitones,
                            "bars": line.bars.iter().map(|b| b.page_idx).collect::<Vec<_>>(),
                            "problems": line.problems, "played": rows(false), "written": rows(true)})
                    })
                    .collect();
                serde_json::json!({"path": path, "ms": ms, "title": score.title, "parts": parts})
            }
        };
        writeln!(out, "{value}").unwrap();
    }
}
