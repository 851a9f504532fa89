//! The pages as a PDF: A4, its words in a font that is within it.

use super::{EngraveError, SvgPage};

/// A4, in points of 1/72 inch.
#[cfg(feature = "engrave")]
const PAPER_PT: (f32, f32) = (595.28, 841.89);

/// The pages of a marked part as one PDF, each in the middle of an A4 page.
#[cfg(feature = "engrave")]
pub fn pdf(pages: &[SvgPage]) -> Result<Vec<u8>, EngraveError> {
    use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref};

    const PT_PER_MM: f64 = 72.0 / 25.4;

    let mut options = svg2pdf::usvg::Options::default();
    let fonts = options.fontdb_mut();
    fonts.load_font_data(super::draw::FONT_FILE.to_vec());
    fonts.set_serif_family("Liberation Sans");
    fonts.set_sans_serif_family("Liberation Sans");
    options.font_family = "Liberation Sans".into();

    let mut next = 1;
    let mut new_ref = || {
        next += 1;
        Ref::new(next - 1)
    };
    let (catalog, tree) = (new_ref(), new_ref());
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(tree);
    let mut kids = Vec::new();
    for page in pages {
        let svg = svg2pdf::usvg::Tree::from_str(&page.svg, &options)
            .map_err(|e| EngraveError::Pdf(e.to_string()))?;
        let (chunk, picture) = svg2pdf::to_chunk(&svg, svg2pdf::ConversionOptions::default())
            .map_err(|e| EngraveError::Pdf(e.to_string()))?;
        let mut renumbered = std::collections::HashMap::new();
        let chunk = chunk.renumber(|old| *renumbered.entry(old).or_insert_with(&mut new_ref));
        let picture = *renumbered
            .get(&picture)
            .ok_or_else(|| EngraveError::Pdf("a page without content".into()))?;
        let (page_ref, content_ref) = (new_ref(), new_ref());
        kids.push(page_ref);
        let width = (page.width_mm * PT_PER_MM) as f32;
        let height = (page.height_mm * PT_PER_MM) as f32;
        // Higher than the paper only where one system is.
        let scale = (PAPER_PT.0 / width).min(PAPER_PT.1 / height).min(1.0);
        let left = (PAPER_PT.0 - scale * width) / 2.0;
        let bottom = PAPER_PT.1 - scale * height - left.min(PAPER_PT.1 - scale * height);
        let name = Name(b"Picture");
        let mut written = pdf.page(page_ref);
        written.media_box(Rect::new(0.0, 0.0, PAPER_PT.0, PAPER_PT.1));
        written.parent(tree);
        written.contents(content_ref);
        let mut resources = written.resources();
        resources.x_objects().pair(name, picture);
        resources.finish();
        written.finish();
        let mut content = Content::new();
        content
            .transform([scale * width, 0.0, 0.0, scale * height, left, bottom])
            .x_object(name);
        pdf.stream(content_ref, &content.finish());
        pdf.extend(&chunk);
    }
    pdf.pages(tree).count(kids.len() as i32).kids(kids);
    Ok(pdf.finish())
}

#[cfg(not(feature = "engrave"))]
pub fn pdf(_pages: &[SvgPage]) -> Result<Vec<u8>, EngraveError> {
    Err(EngraveError::NotBuilt)
}
