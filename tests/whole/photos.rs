//! Proves that photos of a visit are taken in from the page and by the command, hold nothing but pixels, stand on the sheet, and
//! are undone; and that nothing else gets in that way.

use std::{fs, io::Cursor, os::unix::fs::PermissionsExt};

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use serde_json::{Value, json};

use crate::{
    harness::{Bay, HANDHELD, text, until},
    page::Page,
};

fn photo(format: ImageFormat, grey: u8) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::from(RgbImage::from_pixel(96, 64, Rgb([grey; 3]))).write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// The same with a comment segment (ITU-T T.81, B.2.4.5), as software puts a place into it.
fn with_a_place(jpeg: &[u8]) -> Vec<u8> {
    let words = b"48.1N 11.5E";
    let length = u16::try_from(words.len() + 2).unwrap().to_be_bytes();
    [&jpeg[..2], &[0xff, 0xfe], &length[..], words, &jpeg[2..]].concat()
}

#[test]
fn photos_are_taken_in_shown_printed_and_undone() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--machine", "loader 7"]);
    let page = Page::of(&mut daemon);
    let (cookie, origin) = (page.pair(), page.origin());
    let headers = [("cookie", cookie.as_str()), ("origin", origin.as_str()), ("content-type", "image/jpeg")];
    let send = |query: &str, bytes: &[u8]| page.ask("POST", &format!("/photo{query}"), &headers, bytes);

    // From the page: what is kept are pixels, for the owner alone.
    let placed = with_a_place(&photo(ImageFormat::Jpeg, 120));
    let kept = send("?text=green%20plug", &placed);
    assert!(kept.status == 200 && kept.body.contains("\"ok\":true"), "{}", kept.body);
    assert!(send("?text=again", &placed).body.contains("\"ok\":true"), "sent twice, kept once");
    let files = || -> Vec<_> {
        let folder = fs::read_dir(bay.data().join("photos"));
        folder.into_iter().flatten().map(|entry| entry.unwrap().path()).collect()
    };
    assert_eq!(files().len(), 1);
    let file = fs::read(&files()[0]).unwrap();
    assert!(!file.windows(5).any(|part| part == b"48.1N"), "the place stays in the phone");
    assert_eq!(fs::metadata(&files()[0]).unwrap().permissions().mode() & 0o777, 0o600);

    // By the command.
    let png = bay.path("fuse.png");
    fs::write(&png, photo(ImageFormat::Png, 30)).unwrap();
    assert!(bay.bayline(["photo", text(&png), "fuse 12"]).done().contains("photo kept, 96 × 64 pixels"));
    assert_eq!(files().len(), 2);

    // Nothing else gets in, by whatever name.
    assert!(send("", b"<svg xmlns='http://www.w3.org/2000/svg'/>").body.contains("this is no photo"));
    assert_eq!(send("", &vec![0; (24 << 20) + 1]).status, 413);
    assert_eq!(page.ask("POST", "/photo", &[("origin", &origin)], &placed).status, 401);
    assert_eq!(page.ask("POST", "/photo", &[("cookie", &cookie)], &placed).status, 403, "no origin");
    let as_request = json!({ "do": "photo", "hash": "0".repeat(64), "width": 1, "height": 1, "bytes": 1, "text": "" });
    assert_eq!(page.as_page(&cookie, "POST", "/do", &as_request).status, 400, "a photo comes with its file");
    let as_path =
        json!({ "do": "photo", "hash": "../../../etc/passwd", "width": 1, "height": 1, "bytes": 1, "text": "" });
    assert!(daemon.refused(as_path).contains("expected the hash of a photo"));
    assert!(bay.bayline(["photo", text(&bay.path("bench.toml"))]).failed(2).contains("this is no photo"));
    assert_eq!(files().len(), 2, "nothing is left behind");

    // Shown on the page and by the command.
    let listed = until("both are in the ledger", || {
        let session = page.json(&cookie, "GET", "/session?id=last", &Value::Null)["session"]["photos"].clone();
        if session.as_array().is_some_and(|photos| photos.len() == 2) { Ok(session) } else { Err(session) }
    });
    assert_eq!((&listed[0]["text"], &listed[1]["text"]), (&json!("green plug"), &json!("fuse 12")));
    let number = &listed[0]["number"];
    let seen = page.ask("GET", &format!("/session/photo?id=last&number={number}"), &headers, "");
    assert!(seen.status == 200 && seen.head.contains("content-type: image/jpeg"), "{}", seen.head);
    for wrong in ["id=last&number=99", "id=last&number=..%2F..%2Fetc%2Fpasswd", "id=..%2F..&number=1"] {
        assert_ne!(page.ask("GET", &format!("/session/photo?{wrong}"), &headers, "").status, 200, "{wrong}");
    }
    let shown = bay.bayline(["show"]).done();
    assert!(shown.contains("green plug") && shown.contains("fuse 12"), "{shown}");

    // The sheet carries them with it; an export has them beside its tables.
    let sheet = bay.bayline(["report"]).done();
    assert_eq!(sheet.matches("data:image/jpeg;base64,").count(), 2);
    let exported = bay.path("exported");
    bay.bayline(["export", "--folder", text(&exported)]).done();
    assert_eq!(fs::read(exported.join(format!("photo-{number}.jpg"))).unwrap(), file);

    // Undone, it does not count; its file and its row stay, as of every act.
    assert!(bay.bayline(["undo"]).done().contains("the photo \"fuse 12\" does not count"));
    assert_eq!(bay.bayline(["report"]).done().matches("data:image/jpeg;base64,").count(), 1);
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT text, undone_us IS NULL FROM photo ORDER BY id"),
        ["green plug | 1", "fuse 12 | 0"]
    );
    assert!(bay.bayline(["photo", text(&png)]).failed(3).contains("no daemon"), "and nothing is left behind");
}
