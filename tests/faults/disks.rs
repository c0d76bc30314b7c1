//! Disks that fail on demand: a library between the program and the system, and file systems in files.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
};

use tempfile::TempDir;

use crate::harness::{Bay, Daemon, until};

/// Makes writes and syncs of a bay's database fail or hang while a switch is on.
pub(crate) struct Shim {
    folder: TempDir,
}

impl Shim {
    /// None where there is no C compiler; says so.
    pub(crate) fn new() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/faults/shim.c");
        let made = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(folder.path().join("shim.so"))
            .args([source, "-ldl"])
            .status();
        if !made.as_ref().is_ok_and(|status| status.success()) {
            println!("skipped: no C compiler makes the library that stands between the program and the disk: {made:?}");
            return None;
        }
        Some(Self { folder })
    }

    pub(crate) fn start(&self, bay: &Bay) -> Daemon {
        let mut command = bay.command(["run", "--bench", "bench.toml"]);
        command
            .env("LD_PRELOAD", self.folder.path().join("shim.so"))
            .env("FAULT_SWITCH", self.folder.path())
            .env("FAULT_FOLDER", fs::canonicalize(bay.path(".")).unwrap());
        bay.launch(command)
    }

    pub(crate) fn switch_on(&self, what: &str) {
        fs::write(self.folder.path().join(what), "").unwrap();
    }

    pub(crate) fn switch_off(&self, what: &str) {
        fs::remove_file(self.folder.path().join(what)).unwrap();
    }
}

impl Drop for Shim {
    fn drop(&mut self) {
        // A program that still hangs can end.
        for what in ["hang", "eio", "erofs"] {
            drop(fs::remove_file(self.folder.path().join(what)));
        }
    }
}

/// Runs a tool; its error in words where it is missing or fails.
pub(crate) fn run(program: &str, arguments: &[&str]) -> Result<String, String> {
    let output = Command::new(program).args(arguments).stdin(Stdio::null()).output();
    let output = output.map_err(|error| format!("{program}: {error}"))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned());
    }
    Err(format!("{program} {arguments:?}: {}", String::from_utf8_lossy(&output.stderr).trim()))
}

/// A file system that is mounted where a bay keeps its data.
pub(crate) struct Mounted {
    at: PathBuf,
    /// What stands behind it, to be ended after it.
    behind: Behind,
}

#[derive(Default)]
pub(crate) struct Behind {
    device: Option<String>,
    bridge: Option<(Child, PathBuf)>,
    server: Option<Child>,
}

impl Mounted {
    /// A file system in memory of this size.
    pub(crate) fn in_memory(at: &Path, size: &str) -> Option<Self> {
        let mounted = Self::mount(at, &["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"], Behind::default());
        mounted.map_err(skipped).ok()
    }

    /// An ext4 file system in a file.
    pub(crate) fn in_file(at: &Path, image: &Path) -> Option<Self> {
        let image = image.to_str().unwrap();
        let made = || -> Result<Self, String> {
            if !Path::new(image).exists() {
                run("truncate", &["-s", "64M", image])?;
                run("mkfs.ext4", &["-q", "-F", image])?;
            }
            Self::mount(at, &["-o", "loop", image], Behind::default())
        };
        made().map_err(skipped).ok()
    }

    /// An ext4 file system on a device that answers with errors while a file is there. `server` must be running.
    pub(crate) fn on_failing_device(at: &Path, work: &Path, switch: &Path) -> Option<Self> {
        let mut behind = Behind::default();
        let made = Self::device_with_errors(work, switch, &mut behind).and_then(|device| {
            run("mkfs.ext4", &["-q", "-F", &device])?;
            Ok(device)
        });
        match made {
            Ok(device) => Self::mount(at, &[&device], behind).map_err(skipped).ok(),
            Err(why) => {
                behind.end();
                skipped(why);
                None
            }
        }
    }

    fn device_with_errors(work: &Path, switch: &Path, behind: &mut Behind) -> Result<String, String> {
        let path = |name: &str| work.join(name).to_str().unwrap().to_owned();
        let server = Command::new("nbdkit")
            .args(["-f", "-U", &path("nbd.sock"), "--filter=error", "memory", "128M", "error-rate=100%"])
            .arg(format!("error-file={}", switch.display()))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        behind.server = Some(server.map_err(|error| format!("nbdkit: {error}"))?);
        until("the server of the device", || if work.join("nbd.sock").exists() { Ok(()) } else { Err(()) });
        let file = work.join("device");
        fs::write(&file, "").unwrap();
        let bridge = Command::new("nbdfuse")
            .args([file.to_str().unwrap(), "--unix", &path("nbd.sock")])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        behind.bridge = Some((bridge.map_err(|error| format!("nbdfuse: {error}"))?, file.clone()));
        until("the device", || match fs::metadata(&file) {
            Ok(file) if file.len() > 0 => Ok(()),
            other => Err(format!("{other:?}")),
        });
        let device = run("losetup", &["-f", "--show", file.to_str().unwrap()])?;
        behind.device = Some(device.clone());
        Ok(device)
    }

    fn mount(at: &Path, arguments: &[&str], mut behind: Behind) -> Result<Self, String> {
        fs::create_dir_all(at).unwrap();
        let arguments: Vec<&str> = arguments.iter().copied().chain([at.to_str().unwrap()]).collect();
        match run("mount", &arguments) {
            Ok(_) => Ok(Self { at: at.to_owned(), behind }),
            Err(why) => {
                behind.end();
                Err(why)
            }
        }
    }

    pub(crate) fn remount(&self, how: &str) -> Result<String, String> {
        run("mount", &["-o", &format!("remount,{how}"), self.at.to_str().unwrap()])
    }

    /// The power fails: whatever is not on the disk is gone. What stands behind is kept, and mounted again.
    pub(crate) fn again(&self) {
        let at = self.at.to_str().unwrap();
        until("the end of what is mounted", || run("umount", &[at]));
        run("mount", &[self.behind.device.as_ref().unwrap(), at]).unwrap();
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        drop(run("umount", &["-l", self.at.to_str().unwrap()]));
        self.behind.end();
    }
}

impl Behind {
    fn end(&mut self) {
        if let Some(device) = self.device.take() {
            drop(run("losetup", &["-d", &device]));
        }
        if let Some((mut bridge, file)) = self.bridge.take() {
            drop(run("umount", &["-l", file.to_str().unwrap()]));
            drop(bridge.kill());
            drop(bridge.wait());
        }
        if let Some(mut server) = self.server.take() {
            drop(server.kill());
            drop(server.wait());
        }
    }
}

fn skipped(why: String) {
    println!("skipped: no such disk can be had here: {why}");
}
