//! Photos of the visit: recognised by their content, made small, and kept by the hash of what is kept.
//!
//! What is kept is drawn anew from the pixels, so that nothing else that a phone puts into a photo stays in it: no place, no name, no
//! date. Names of files come from hashes alone, never from a request. Knows nothing of sessions beyond what their record keeps.

mod photo_folder;

use std::io::Cursor;

use image::{
    DynamicImage, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits, codecs::jpeg::JpegEncoder,
    imageops::FilterType, metadata::Orientation,
};
use sha2::{Digest, Sha256};

pub(crate) use self::photo_folder::{PhotoFolder, PhotoKept};
use crate::session::{PhotoHash, VisitPhoto};

/// The largest file that is taken in: some times what the camera of a phone makes.
pub(crate) const LARGEST_PHOTO: usize = 24 << 20;

/// The longer side of what is kept, pixels: the print on a fuse is still legible.
const KEPT_SIDE: u32 = 1600;
/// Of what stands on a sheet.
const SMALL_SIDE: u32 = 720;
const KEPT_QUALITY: u8 = 82;
const SMALL_QUALITY: u8 = 70;

/// Pixels on the longer side of what is decoded, and memory for it, bytes.
const DECODED_SIDE: u32 = 16_384;
const DECODED_BYTES: u64 = 256 << 20;

/// Why a photo is not taken in.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PhotoError {
    /// It is something else.
    #[error("this is no photo that can be kept; send a JPEG, PNG or WebP file")]
    Format,
    /// Its file is too large.
    #[error("the photo is larger than {} MiB; make it smaller", LARGEST_PHOTO >> 20)]
    TooLarge,
    /// It is cut off or damaged, or has too many pixels.
    #[error("the photo can't be read: {0}; take it again")]
    Unreadable(#[from] ImageError),
}

/// A photo that is ready to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PreparedPhoto {
    /// What the record keeps.
    pub photo: VisitPhoto,
    /// The file, a JPEG.
    pub jpeg: Vec<u8>,
}

/// Reads a photo, turns it as it was held, makes it small and draws it anew.
///
/// # Errors
/// It is none, or it can't be read.
pub(crate) fn redrawn(bytes: &[u8], text: &str) -> Result<PreparedPhoto, PhotoError> {
    if bytes.len() > LARGEST_PHOTO {
        return Err(PhotoError::TooLarge);
    }
    let image = decode(bytes)?;
    let image = shrunk(image, KEPT_SIDE);
    let jpeg = encode(&image, KEPT_QUALITY)?;
    let hash: String = Sha256::digest(&jpeg).iter().map(|byte| format!("{byte:02x}")).collect();
    let hash: PhotoHash = hash.parse().expect("a SHA-256 has 64 hexadecimal digits");
    let (width, height) = (image.width(), image.height());
    let photo = VisitPhoto { hash, width, height, bytes: jpeg.len() as u64, text: text.to_owned() };
    Ok(PreparedPhoto { photo, jpeg })
}

/// A kept photo as small as a sheet needs it, a JPEG.
///
/// # Errors
/// Its file is damaged.
pub(crate) fn small(jpeg: &[u8]) -> Result<Vec<u8>, PhotoError> {
    encode(&shrunk(decode(jpeg)?, SMALL_SIDE), SMALL_QUALITY)
}

fn decode(bytes: &[u8]) -> Result<DynamicImage, PhotoError> {
    let known = [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::WebP];
    let format = image::guess_format(bytes).ok().filter(|format| known.contains(format)).ok_or(PhotoError::Format)?;
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    let mut limits = Limits::default();
    limits.max_image_width = Some(DECODED_SIDE);
    limits.max_image_height = Some(DECODED_SIDE);
    limits.max_alloc = Some(DECODED_BYTES);
    reader.limits(limits);
    let mut decoder = reader.into_decoder()?;
    // A photo whose orientation can't be read is kept as it lies.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let mut image = DynamicImage::from_decoder(decoder)?;
    image.apply_orientation(orientation);
    Ok(image)
}

fn shrunk(image: DynamicImage, side: u32) -> DynamicImage {
    if image.width().max(image.height()) <= side { image } else { image.resize(side, side, FilterType::Triangle) }
}

/// Pixels and nothing else.
fn encode(image: &DynamicImage, quality: u8) -> Result<Vec<u8>, PhotoError> {
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, quality).encode_image(&image.to_rgb8())?;
    Ok(jpeg)
}

#[cfg(test)]
mod tests {
    use image::RgbImage;

    use super::*;

    fn drawn(format: ImageFormat, width: u32, height: u32) -> Vec<u8> {
        let image = RgbImage::from_fn(width, height, |x, _| image::Rgb(if x < width / 2 { [200; 3] } else { [20; 3] }));
        let mut bytes = Cursor::new(Vec::new());
        DynamicImage::from(image).write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    }

    /// A JPEG with an Exif segment (CIPA DC-008): orientation 6, turn to the right, and the text of a place.
    fn from_a_phone(width: u32, height: u32) -> Vec<u8> {
        let jpeg = drawn(ImageFormat::Jpeg, width, height);
        let mut exif = b"Exif\0\0MM\0*\0\0\0\x08\0\x02\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\x01\x0e\0\x02\0\0\0\x0c\0\0\0\x26\0\0\0\0".to_vec();
        exif.extend(b"48.1N 11.5E\0");
        let length = u16::try_from(exif.len() + 2).unwrap().to_be_bytes();
        [&jpeg[..2], &[0xff, 0xe1], &length[..], &exif[..], &jpeg[2..]].concat()
    }

    #[test]
    fn a_photo_is_turned_as_it_was_held_and_nothing_but_pixels_stays() {
        let bytes = from_a_phone(64, 32);
        assert!(bytes.windows(5).any(|part| part == b"48.1N"));
        let kept = redrawn(&bytes, "plug").unwrap();
        assert_eq!((kept.photo.width, kept.photo.height), (32, 64));
        for word in [&b"Exif"[..], b"48.1N"] {
            assert!(!kept.jpeg.windows(word.len()).any(|part| part == word));
        }
        // The left half was light: turned to the right, the upper one is.
        let image = image::load_from_memory(&kept.jpeg).unwrap().to_rgb8();
        assert!(image.get_pixel(16, 8)[0] > 150 && image.get_pixel(16, 56)[0] < 80);
        assert_eq!(redrawn(&bytes, "plug").unwrap(), kept, "the same photo has the same hash");
    }

    #[test]
    fn what_is_large_is_made_small() {
        let kept = redrawn(&drawn(ImageFormat::Png, 2000, 500), "").unwrap();
        assert_eq!((kept.photo.width, kept.photo.height), (1600, 400));
        let small = image::load_from_memory(&small(&kept.jpeg).unwrap()).unwrap();
        assert_eq!((small.width(), small.height()), (720, 180));
    }

    #[test]
    fn only_photos_are_taken_in_whatever_they_are_called() {
        for format in [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::WebP] {
            assert!(redrawn(&drawn(format, 8, 8), "").is_ok(), "{format:?}");
        }
        for other in [&b""[..], b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"GIF89a\x01\0\x01\0\0\0\0;", b"%PDF-1.7"]
        {
            assert!(matches!(redrawn(other, ""), Err(PhotoError::Format)));
        }
        let cut = &drawn(ImageFormat::Png, 64, 64)[..60];
        assert!(matches!(redrawn(cut, ""), Err(PhotoError::Unreadable(_))));
        assert!(matches!(redrawn(&vec![0; LARGEST_PHOTO + 1], ""), Err(PhotoError::TooLarge)));
        // A PNG that says it has 60,000 × 60,000 pixels: no memory is taken for it.
        let mut bomb = drawn(ImageFormat::Png, 8, 8);
        bomb[16..24].copy_from_slice(&[0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60]);
        assert!(redrawn(&bomb, "").is_err());
    }
}
