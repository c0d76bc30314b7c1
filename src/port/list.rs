//! What is plugged in: serial devices and HID cables, as the Linux kernel lists them.
//!
//! Read from the directories where the kernel and udev describe devices, so that nothing is opened:
//! opening a serial device can reset the board behind it.

use std::{
    fs,
    path::{Path, PathBuf},
};

use super::Address;

/// Where devices are described; another root than `/` serves tests and containers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Roots {
    /// The device nodes.
    pub dev: PathBuf,
    /// The kernel's list of devices.
    pub sys: PathBuf,
}

impl Default for Roots {
    fn default() -> Self {
        Self { dev: PathBuf::from("/dev"), sys: PathBuf::from("/sys") }
    }
}

/// One device that may be a meter, a board or a cable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Device {
    /// The device node, whose number may change when it is plugged in again.
    pub path: PathBuf,
    /// A name that stays; none where the system gives it none.
    pub stable: Option<PathBuf>,
    /// What it is.
    pub kind: DeviceKind,
    /// Its identity on USB; none for a device that is not on USB.
    pub usb: Option<Usb>,
}

/// What a device is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum DeviceKind {
    /// A serial device.
    Serial,
    /// A HID device of a use that its maker defines: not a keyboard, a mouse or a joystick.
    Hid,
}

/// An identity on USB.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Usb {
    /// The maker's number.
    pub vendor: u16,
    /// The product's number.
    pub product: u16,
    /// The manufacturer, as the device reports it.
    pub maker: Option<String>,
    /// What the device calls itself.
    pub name: Option<String>,
    /// Its serial number; many cheap cables have none.
    pub serial: Option<String>,
}

impl Device {
    /// How a bench file names it, by the name that stays where there is one.
    pub(crate) fn address(&self) -> Address {
        let path = self.stable.as_ref().unwrap_or(&self.path).clone();
        match self.kind {
            DeviceKind::Serial => Address::Serial(path),
            DeviceKind::Hid => Address::Hid(path),
        }
    }
}

/// Lists what is plugged in: serial devices first, each kind in the order of its numbers. A directory
/// that is not there holds nothing.
pub(crate) fn plugged_in(roots: &Roots) -> Vec<Device> {
    let names = StableNames::read(&roots.dev);
    let mut found = Vec::new();
    for (class, kind, is_one) in [
        ("tty", DeviceKind::Serial, is_serial as fn(&Path) -> bool),
        ("hidraw", DeviceKind::Hid, is_for_makers_use as fn(&Path) -> bool),
    ] {
        for entry in entries(&roots.sys.join("class").join(class)).into_iter().filter(|entry| is_one(entry)) {
            let Some(node) = entry.file_name() else { continue };
            let path = roots.dev.join(node);
            found.push(Device { stable: names.of(&path), usb: usb_of(&entry), path, kind });
        }
    }
    found.sort_by_key(|one| (one.kind, one.path.as_os_str().len(), one.path.clone()));
    found
}

/// A terminal with hardware behind it.
fn is_serial(entry: &Path) -> bool {
    let has_device = entry.join("device").exists();
    let by_radio = entry.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"rfcomm"));
    // The places of the mainboard's ports are there even where nothing is soldered: type 0.
    let empty_place = text(&entry.join("type")).as_deref() == Some("0");
    (has_device || by_radio) && !empty_place
}

/// The report descriptor begins with a usage page that makers define: 06, then the page with its low
/// byte first, FF00 to FFFF (USB HID 1.11, 6.2.2.7 and the HID usage tables, from memory). Keyboards
/// must never be read, and a device whose descriptor can't be read is not judged.
fn is_for_makers_use(entry: &Path) -> bool {
    match fs::read(entry.join("device/report_descriptor")) {
        Ok(descriptor) => matches!(descriptor[..], [0x06, _, 0xff, ..]),
        Err(_) => true,
    }
}

/// Goes up from the device to the one on USB that it is a part of.
fn usb_of(entry: &Path) -> Option<Usb> {
    let device = fs::canonicalize(entry.join("device")).ok()?;
    device.ancestors().find_map(|place| {
        let number = |file| u16::from_str_radix(&text(&place.join(file))?, 16).ok();
        Some(Usb {
            vendor: number("idVendor")?,
            product: number("idProduct")?,
            maker: text(&place.join("manufacturer")),
            name: text(&place.join("product")),
            serial: text(&place.join("serial")),
        })
    })
}

/// A one-line file; none where it is missing or empty.
fn text(path: &Path) -> Option<String> {
    let bytes = fs::read(path).ok()?;
    let text = String::from_utf8_lossy(&bytes).trim().to_owned();
    (!text.is_empty()).then_some(text)
}

/// Entries of a directory in the order of their names.
fn entries(directory: &Path) -> Vec<PathBuf> {
    let Ok(read) = fs::read_dir(directory) else { return Vec::new() };
    let mut found: Vec<PathBuf> = read.filter_map(|entry| Some(entry.ok()?.path())).collect();
    found.sort();
    found
}

/// The links of udev, by what they lead to.
struct StableNames(Vec<(PathBuf, PathBuf)>);

impl StableNames {
    /// By identity first; by place on the bus where a device has no identity of its own.
    fn read(dev: &Path) -> Self {
        let links = ["serial/by-id", "serial/by-path"].into_iter().flat_map(|folder| entries(&dev.join(folder)));
        Self(links.filter_map(|link| Some((fs::canonicalize(&link).ok()?, link))).collect())
    }

    fn of(&self, node: &Path) -> Option<PathBuf> {
        let node = fs::canonicalize(node).ok()?;
        self.0.iter().find(|(target, _)| *target == node).map(|(_, link)| link.clone())
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    struct Tree {
        _folder: tempfile::TempDir,
        roots: Roots,
    }

    impl Tree {
        fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            let roots = Roots { dev: folder.path().join("dev"), sys: folder.path().join("sys") };
            Self { _folder: folder, roots }
        }

        fn write(&self, path: &str, content: &[u8]) {
            let path = self.roots.sys.join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, content).unwrap();
        }

        /// A node whose class entry leads to a device directory.
        fn device(&self, class: &str, node: &str, device: &str) {
            let (device, entry) = (self.roots.sys.join(device), self.roots.sys.join("class").join(class).join(node));
            for folder in [&device, &entry, &self.roots.dev] {
                fs::create_dir_all(folder).unwrap();
            }
            symlink(device, entry.join("device")).unwrap();
            fs::write(self.roots.dev.join(node), "").unwrap();
        }

        fn link(&self, name: &str, node: &str) {
            let link = self.roots.dev.join(name);
            fs::create_dir_all(link.parent().unwrap()).unwrap();
            symlink(Path::new("../..").join(node), link).unwrap();
        }
    }

    #[test]
    fn a_usb_cable_is_listed_with_its_identity_and_the_name_that_stays() {
        let tree = Tree::new();
        tree.device("tty", "ttyUSB0", "devices/usb1/1-2/1-2:1.0/ttyUSB0");
        for (file, content) in
            [("idVendor", "0403\n"), ("idProduct", "6001\n"), ("product", "USB Serial\n"), ("serial", "DMM0001\n")]
        {
            tree.write(&format!("devices/usb1/1-2/{file}"), content.as_bytes());
        }
        tree.link("serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0", "ttyUSB0");
        tree.link("serial/by-id/usb-DMM0001-if00", "ttyUSB0");
        let [cable] = &plugged_in(&tree.roots)[..] else { panic!() };
        let usb = Usb {
            vendor: 0x0403,
            product: 0x6001,
            maker: None,
            name: Some("USB Serial".to_owned()),
            serial: Some("DMM0001".to_owned()),
        };
        assert_eq!((cable.kind, cable.usb.as_ref()), (DeviceKind::Serial, Some(&usb)));
        assert_eq!(cable.path, tree.roots.dev.join("ttyUSB0"));
        let stable = tree.roots.dev.join("serial/by-id/usb-DMM0001-if00");
        assert_eq!(cable.address(), Address::Serial(stable.clone()));
        assert_eq!(cable.stable, Some(stable));
    }

    #[test]
    fn terminals_without_hardware_are_left_out() {
        let tree = Tree::new();
        tree.device("tty", "ttyS0", "devices/platform/serial8250");
        tree.write("class/tty/ttyS0/type", b"4\n");
        tree.device("tty", "ttyS1", "devices/platform/serial8250");
        tree.write("class/tty/ttyS1/type", b"0\n");
        tree.write("class/tty/tty7/dev", b"4:7\n");
        let found = plugged_in(&tree.roots);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].address().to_string(), &found[0].usb), (found[0].path.display().to_string(), &None));
    }

    #[test]
    fn cables_are_listed_and_keyboards_are_not() {
        let tree = Tree::new();
        for (node, descriptor) in [
            ("hidraw10", &[0x06, 0xa0, 0xff, 0x09, 0x01][..]),
            ("hidraw9", &[0x06, 0x00, 0xff, 0x09, 0x01]),
            ("hidraw2", &[0x05, 0x01, 0x09, 0x06]),
        ] {
            let device = format!("devices/usb1/1-3/1-3:1.0/{node}");
            tree.device("hidraw", node, &device);
            tree.write(&format!("{device}/report_descriptor"), descriptor);
        }
        tree.write("devices/usb1/1-3/idVendor", b"1a86\n");
        tree.write("devices/usb1/1-3/idProduct", b"e008\n");
        let found = plugged_in(&tree.roots);
        let nodes: Vec<_> = found.iter().map(|one| one.path.file_name().unwrap().to_str().unwrap()).collect();
        assert_eq!(nodes, ["hidraw9", "hidraw10"]);
        assert_eq!(found[0].usb.as_ref().map(|usb| (usb.vendor, usb.product)), Some((0x1a86, 0xe008)));
        assert_eq!(found[0].address(), Address::Hid(tree.roots.dev.join("hidraw9")));
    }

    #[test]
    fn a_system_without_such_directories_has_nothing() {
        assert_eq!(plugged_in(&Tree::new().roots), []);
    }
}
