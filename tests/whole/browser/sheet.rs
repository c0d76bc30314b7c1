//! The sheet on paper: the short one is one page, also of a visit with a drive that has something against the machine. What is printed is
//! left in `target/page`.

use std::{fs, path::Path};

use base64::{Engine, engine::general_purpose::STANDARD};
use serde_json::json;

use super::Browser;
use crate::harness::{Bay, PATIENCE, ProgramOutput, text};

/// Paper sizes, inches: ISO 216 A4 is 210 mm by 297 mm; Letter is 8.5 by 11 (ANSI/ASME Y14.1, size A).
const PAPERS: [(&str, f64, f64); 2] = [("a4", 210.0 / 25.4, 297.0 / 25.4), ("letter", 8.5, 11.0)];

impl Browser {
    /// How many pages of a paper this file takes.
    async fn printed(&self, file: &Path, name: &str, (paper, width, height): (&str, f64, f64)) -> usize {
        self.client.goto(&format!("file://{}", file.display())).await.unwrap();
        let settings = json!({ "paperWidth": width, "paperHeight": height, "printBackground": true });
        let printed = self.command("Page.printToPDF", settings).await;
        let pdf = STANDARD.decode(printed["data"].as_str().unwrap()).unwrap();
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("page");
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join(format!("{name}-{paper}.pdf")), &pdf).unwrap();
        // Each page is an object of its own (ISO 32000-1, 7.7.3.3), which Chromium does not compress.
        let text = String::from_utf8_lossy(&pdf);
        text.matches("/Type /Page\n").count()
    }
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn the_short_sheet_is_one_page() {
    let bay = Bay::new();
    ProgramOutput::within(bay.command(["demo", "--speed", "15"]), 4 * PATIENCE).done();
    let complaint = "Tilt is slow to answer, and everything gets lazy when it is used together.";
    let told = ["--complaint", complaint, "--counter", "4120 h", "--vin", "CLX-000731"];
    bay.bayline([&["correct", "last"][..], &told].concat()).done();
    let (short, full) = (bay.path("short.html"), bay.path("full.html"));
    bay.bayline(["report", "last", "-o", text(&short), "--by", "K. Example"]).done();
    bay.bayline(["report", "last", "--full", "-o", text(&full)]).done();
    assert!(fs::read_to_string(&short).unwrap().contains("lift coil dropped out"), "the drive is on the sheet");
    let browser = Browser::start(&bay.path("profile")).await;
    for paper in PAPERS {
        assert_eq!(browser.printed(&short, "sheet-short", paper).await, 1, "{paper:?}");
        // The count can tell more than one.
        assert!(browser.printed(&full, "sheet-full", paper).await > 5, "{paper:?}");
    }
    browser.client.clone().close().await.unwrap();
}
