//! A photo of the visit as the record keeps it: by the hash of its file, never by a path.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::Refusal;
use crate::{text_length::check_text, words::from_text};

/// Photos of one session: more would be a film.
const MOST_PHOTOS: usize = 200;

/// The SHA-256 of a photo's file: 64 hexadecimal digits in small letters, and nothing else.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, utoipa::ToSchema)]
#[serde(into = "String")]
#[schema(value_type = String)]
pub struct PhotoHash(String);

impl FromStr for PhotoHash {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let is_hash = text.len() == 64 && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
        if is_hash { Ok(Self(text.to_owned())) } else { Err("expected the hash of a photo, 64 hexadecimal digits") }
    }
}

from_text!(PhotoHash);

impl From<PhotoHash> for String {
    fn from(hash: PhotoHash) -> Self {
        hash.0
    }
}

impl std::fmt::Display for PhotoHash {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// A photo. The one type for it: on the socket, in the database (a column of the table `photo` for each field) and in JSON.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitPhoto {
    /// Of its file.
    pub hash: PhotoHash,
    /// Pixels from left to right.
    pub width: u32,
    /// Pixels from top to bottom.
    pub height: u32,
    /// Size of its file.
    pub bytes: u64,
    /// What it shows; empty where not given.
    pub text: String,
}

/// The photos of the open session, so that one that is sent twice is kept once.
#[derive(Debug, Default)]
pub(super) struct PhotoList(Vec<PhotoHash>);

impl PhotoList {
    /// Takes a photo in; false where it is there already.
    ///
    /// # Errors
    /// Its text is too long, or there are too many.
    pub(super) fn add(&mut self, photo: &mut VisitPhoto) -> Result<bool, Refusal> {
        photo.text = photo.text.trim().to_owned();
        check_text("text of the photo", &photo.text)?;
        if self.0.contains(&photo.hash) {
            return Ok(false);
        }
        if self.0.len() >= MOST_PHOTOS {
            return Err(Refusal::TooManyPhotos { most: MOST_PHOTOS });
        }
        self.0.push(photo.hash.clone());
        Ok(true)
    }

    /// It does not count any more.
    pub(super) fn remove(&mut self, hash: &PhotoHash) {
        self.0.retain(|kept| kept != hash);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hash_is_no_path() {
        assert!(PhotoHash::from_str(&"0123456789abcdef".repeat(4)).is_ok());
        for wrong in ["", "../../etc/passwd", &"A".repeat(64), &"0".repeat(63), &format!("{}/", "0".repeat(63))] {
            assert!(PhotoHash::from_str(wrong).is_err(), "{wrong}");
        }
        assert!(serde_json::from_str::<PhotoHash>("\"../x\"").is_err());
    }

    #[test]
    fn a_photo_that_is_sent_twice_is_kept_once() {
        let hash = PhotoHash::from_str(&"a".repeat(64)).unwrap();
        let mut photo = VisitPhoto { hash: hash.clone(), width: 4, height: 3, bytes: 12, text: " plug ".to_owned() };
        let mut list = PhotoList::default();
        assert_eq!((list.add(&mut photo), list.add(&mut photo)), (Ok(true), Ok(false)));
        assert_eq!(photo.text, "plug");
        list.remove(&hash);
        assert_eq!(list.add(&mut photo), Ok(true));
        for number in 1..MOST_PHOTOS {
            photo.hash = PhotoHash::from_str(&format!("{number:064x}")).unwrap();
            assert_eq!(list.add(&mut photo), Ok(true));
        }
        photo.hash = PhotoHash::from_str(&"b".repeat(64)).unwrap();
        assert_eq!(list.add(&mut photo), Err(Refusal::TooManyPhotos { most: MOST_PHOTOS }));
    }
}
