//! Prints the notes of WAV files against their truth, one by one: a development aid.
use passagework::hear::{HearOptions, hear};
fn main() {
    let verbose = std::env::var("V").is_ok();
    let mut tot = [0usize; 4];
    let mut errs: [Vec<f64>; 2] = [vec![], vec![]];
    let (mut audio, t0) = (0.0, std::time::Instant::now());
    for dir in std::env::args().skip(1) {
        let dir = std::path::PathBuf::from(dir);
        let mut r = hound::WavReader::open(dir.join("take.wav")).unwrap();
        let spec = r.spec();
        let x: Vec<f32> = match spec.sample_format {
            hound::SampleFormat::Float => r.samples::<f32>().map(|s| s.unwrap()).collect(),
            _ => {
                let k = 1.0 / (1u64 << (spec.bits_per_sample - 1)) as f32;
                r.samples::<i32>().map(|s| s.unwrap() as f32 * k).collect()
            }
        };
        let truth: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(dir.join("truth.json")).unwrap())
                .unwrap();
        let mut want: Vec<(f64, f64, bool)> = Vec::new();
        for n in truth["notes"].as_array().unwrap() {
            if let (Some(o), Some(m)) = (n["onset"].as_f64(), n["midi"].as_f64()) {
                want.push((o, m, n["slur_in"].as_bool().unwrap_or(false)));
            }
        }
        for n in truth["added"].as_array().unwrap() {
            if let (Some(o), Some(m)) = (n["onset"].as_f64(), n["midi"].as_f64()) {
                want.push((o, m, false));
            }
        }
        want.sort_by(|a, b| a.0.total_cmp(&b.0));
        let lo = want.iter().map(|w| w.1).fold(200.0, f64::min) - 6.0;
        let low_hz = 440.0 * ((lo - 69.0) / 12.0f64).exp2();
        let opt = HearOptions {
            low_hz: low_hz.min(if std::env::var("CL").is_ok() {
                140.0
            } else {
                1e9
            }),
            high_hz: 2200.0,
        };
        let h = hear(&x, spec.sample_rate, &opt);
        audio += x.len() as f64 / spec.sample_rate as f64;
        let heard: Vec<_> = h.notes.iter().filter(|n| n.confidence >= 0.5).collect();
        // tuning offset: median residual
        let mut used = vec![false; heard.len()];
        let a4: f64 = truth["a4"].as_f64().unwrap_or(440.0);
        let off = 12.0 * (a4 / 440.0).log2();
        let (mut hit, mut miss) = (0, 0);
        let mut lines = vec![];
        for w in &want {
            let best = heard
                .iter()
                .enumerate()
                .filter(|(i, n)| {
                    !used[*i] && (n.onset_s - w.0).abs() < 0.05 && (n.midi - w.1 - off).abs() < 0.6
                })
                .min_by(|a, b| {
                    (a.1.onset_s - w.0)
                        .abs()
                        .total_cmp(&(b.1.onset_s - w.0).abs())
                });
            match best {
                Some((i, n)) => {
                    used[i] = true;
                    hit += 1;
                    errs[w.2 as usize].push((n.onset_s - w.0) * 1000.0);
                }
                None => {
                    miss += 1;
                    lines.push(format!("  MISS {:.3} midi {} slur {}", w.0, w.1, w.2));
                }
            }
        }
        let extra = used.iter().filter(|u| !**u).count();
        for (i, n) in heard.iter().enumerate() {
            if !used[i] {
                lines.push(format!(
                    "  EXTRA {:.3}-{:.3} midi {:.2} conf {:.2} lvl {:.1} tongued {}",
                    n.onset_s, n.offset_s, n.midi, n.confidence, n.level_dbfs, n.tongued
                ));
            }
        }
        tot[0] += hit;
        tot[1] += miss;
        tot[2] += extra;
        if miss + extra > 0 {
            println!(
                "{} hit {hit} miss {miss} extra {extra}",
                dir.file_name().unwrap().to_string_lossy()
            );
            if verbose {
                lines.sort_by(|a, b| {
                    a.split_whitespace()
                        .nth(1)
                        .cmp(&b.split_whitespace().nth(1))
                });
                for l in lines {
                    println!("{l}");
                }
            }
        }
    }
    let el = t0.elapsed().as_secs_f64();
    println!(
        "TOTAL hit {} miss {} extra {}  speed {:.0}x",
        tot[0],
        tot[1],
        tot[2],
        audio / el
    );
    for (k, name) in ["tongued", "slurred"].iter().enumerate() {
        let e = &mut errs[k];
        if e.is_empty() {
            continue;
        }
        e.sort_by(f64::total_cmp);
        let med = e[e.len() / 2];
        let mut d: Vec<f64> = e.iter().map(|x| (x - med).abs()).collect();
        d.sort_by(f64::total_cmp);
        println!(
            "{name}: n {} bias {:.2} ms spread median {:.2} 95% {:.2}",
            e.len(),
            med,
            d[d.len() / 2],
            d[(d.len() as f64 * 0.95) as usize]
        );
    }
}
