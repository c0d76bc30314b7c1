//! Every CRC of the catalogue, by name.
//!
//! The parameters are those of the `crc` crate, which carries Greg Cook's "Catalogue of
//! parametrised CRC algorithms". Knows nothing of frames.

/// A CRC of the catalogue.
#[derive(Clone, Copy)]
pub(in crate::protocol) struct CatalogueCrc {
    /// As the constant is called: `CRC_16_MODBUS`.
    constant: &'static str,
    /// Bits.
    pub width: u8,
    /// What `123456789` gives.
    #[cfg(test)]
    check: u128,
    make: fn() -> Crc,
}

impl std::fmt::Debug for CatalogueCrc {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.constant)
    }
}

/// A CRC with its table.
pub(in crate::protocol) enum Crc {
    /// Up to 8 bits.
    Bits8(Box<crc::Crc<u8>>),
    /// Up to 16 bits.
    Bits16(Box<crc::Crc<u16>>),
    /// Up to 32 bits.
    Bits32(Box<crc::Crc<u32>>),
    /// Up to 64 bits.
    Bits64(Box<crc::Crc<u64>>),
    /// Up to 128 bits.
    Bits128(Box<crc::Crc<u128>>),
}

impl Crc {
    /// Of these bytes.
    pub(crate) fn of(&self, bytes: &[u8]) -> u128 {
        match self {
            Self::Bits8(crc) => crc.checksum(bytes).into(),
            Self::Bits16(crc) => crc.checksum(bytes).into(),
            Self::Bits32(crc) => crc.checksum(bytes).into(),
            Self::Bits64(crc) => crc.checksum(bytes).into(),
            Self::Bits128(crc) => crc.checksum(bytes),
        }
    }
}

impl CatalogueCrc {
    /// The CRC of this name, as the catalogue writes it: `CRC-16/MODBUS`.
    pub(crate) fn named(name: &str) -> Option<Self> {
        let constant: String =
            name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_uppercase() } else { '_' }).collect();
        CATALOGUE.iter().find(|known| known.constant == constant).copied()
    }

    /// With its table, ready to work.
    pub(crate) fn make(self) -> Crc {
        (self.make)()
    }
}

/// What is wrong with a name that no CRC has. `others` are the kinds of checksums that are not CRCs.
pub(super) fn unknown_crc<'a>(name: &str, others: impl Iterator<Item = &'a str>) -> String {
    if name.to_ascii_uppercase().contains("CCITT") {
        return format!(
            "found \"{name}\", a name that several go by: CRC-16/KERMIT, CRC-16/IBM-3740, CRC-16/XMODEM or CRC-16/IBM-SDLC?"
        );
    }
    let others: Vec<String> = others.map(|word| format!("\"{word}\"")).collect();
    format!("found \"{name}\", expected {} or a name of the CRC catalogue such as \"CRC-16/MODBUS\"", others.join(", "))
}

macro_rules! catalogue {
    ($($bits:ident $word:ident: $($name:ident)*;)*) => {
        &[$($(CatalogueCrc {
            constant: stringify!($name),
            width: crc::$name.width,
            #[cfg(test)]
            check: crc::$name.check as u128,
            make: || Crc::$bits(Box::new(crc::Crc::<$word>::new(&crc::$name))),
        },)*)*]
    };
}

#[rustfmt::skip]
const CATALOGUE: &[CatalogueCrc] = catalogue! {
    Bits8 u8:
        CRC_3_GSM CRC_3_ROHC CRC_4_G_704 CRC_4_INTERLAKEN CRC_5_EPC_C1G2 CRC_5_G_704 CRC_5_USB CRC_6_CDMA2000_A
        CRC_6_CDMA2000_B CRC_6_DARC CRC_6_G_704 CRC_6_GSM CRC_7_MMC CRC_7_ROHC CRC_7_UMTS CRC_8_AUTOSAR
        CRC_8_BLUETOOTH CRC_8_CDMA2000 CRC_8_DARC CRC_8_DVB_S2 CRC_8_GSM_A CRC_8_GSM_B CRC_8_HITAG CRC_8_I_432_1
        CRC_8_I_CODE CRC_8_LTE CRC_8_MAXIM_DOW CRC_8_MIFARE_MAD CRC_8_NRSC_5 CRC_8_OPENSAFETY CRC_8_ROHC
        CRC_8_SAE_J1850 CRC_8_SMBUS CRC_8_TECH_3250 CRC_8_WCDMA;
    Bits16 u16:
        CRC_10_ATM CRC_10_CDMA2000 CRC_10_GSM CRC_11_FLEXRAY CRC_11_UMTS CRC_12_CDMA2000 CRC_12_DECT CRC_12_GSM
        CRC_12_UMTS CRC_13_BBC CRC_14_DARC CRC_14_GSM CRC_15_CAN CRC_15_MPT1327 CRC_16_ARC CRC_16_CDMA2000
        CRC_16_CMS CRC_16_DDS_110 CRC_16_DECT_R CRC_16_DECT_X CRC_16_DNP CRC_16_EN_13757 CRC_16_GENIBUS
        CRC_16_GSM CRC_16_IBM_3740 CRC_16_IBM_SDLC CRC_16_ISO_IEC_14443_3_A CRC_16_KERMIT CRC_16_LJ1200
        CRC_16_M17 CRC_16_MAXIM_DOW CRC_16_MCRF4XX CRC_16_MODBUS CRC_16_NRSC_5 CRC_16_OPENSAFETY_A
        CRC_16_OPENSAFETY_B CRC_16_PROFIBUS CRC_16_RIELLO CRC_16_SPI_FUJITSU CRC_16_T10_DIF CRC_16_TELEDISK
        CRC_16_TMS37157 CRC_16_UMTS CRC_16_USB CRC_16_XMODEM;
    Bits32 u32:
        CRC_17_CAN_FD CRC_21_CAN_FD CRC_24_BLE CRC_24_FLEXRAY_A CRC_24_FLEXRAY_B CRC_24_INTERLAKEN CRC_24_LTE_A
        CRC_24_LTE_B CRC_24_OPENPGP CRC_24_OS_9 CRC_30_CDMA CRC_31_PHILIPS CRC_32_AIXM CRC_32_AUTOSAR
        CRC_32_BASE91_D CRC_32_BZIP2 CRC_32_CD_ROM_EDC CRC_32_CKSUM CRC_32_ISCSI CRC_32_ISO_HDLC CRC_32_JAMCRC
        CRC_32_MEF CRC_32_MPEG_2 CRC_32_XFER;
    Bits64 u64:
        CRC_40_GSM CRC_64_ECMA_182 CRC_64_GO_ISO CRC_64_MS CRC_64_NVME CRC_64_REDIS CRC_64_WE CRC_64_XZ;
    Bits128 u128:
        CRC_82_DARC;
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_crc_gives_its_check_value() {
        assert!(CATALOGUE.len() >= 110, "{}", CATALOGUE.len());
        for known in CATALOGUE {
            assert_eq!(known.make().of(b"123456789"), known.check, "{known:?}");
        }
    }

    #[test]
    fn check_values_of_the_catalogue() {
        // Catalogue of parametrised CRC algorithms; all confirmed by an independent program
        // (crccheck 1.3.1).
        for (name, check) in [
            ("CRC-8/SMBUS", 0xf4),
            ("CRC-8/MAXIM-DOW", 0xa1),
            ("CRC-8/SAE-J1850", 0x4b),
            ("CRC-8/AUTOSAR", 0xdf),
            ("CRC-16/MODBUS", 0x4b37),
            ("CRC-16/ARC", 0xbb3d),
            ("CRC-16/IBM-3740", 0x29b1),
            ("CRC-16/XMODEM", 0x31c3),
            ("CRC-16/KERMIT", 0x2189),
            ("CRC-16/IBM-SDLC", 0x906e),
            ("CRC-16/SPI-FUJITSU", 0xe5cc),
            ("CRC-16/GENIBUS", 0xd64e),
            ("CRC-32/ISO-HDLC", 0xcbf4_3926),
            ("CRC-32/ISCSI", 0xe306_9283),
        ] {
            let crc = CatalogueCrc::named(name).unwrap_or_else(|| panic!("{name}"));
            assert_eq!(crc.make().of(b"123456789"), check, "{name}");
        }
    }

    #[test]
    fn names_are_read_in_any_spelling_but_not_guessed() {
        assert!(CatalogueCrc::named("crc-16/modbus").is_some());
        assert!(CatalogueCrc::named("CRC_16_IBM_3740").is_some());
        assert!(CatalogueCrc::named("CRC-16/CCITT").is_none());
        assert!(unknown_crc("CRC-16/CCITT", ["xor"].into_iter()).contains("CRC-16/KERMIT"));
    }
}
