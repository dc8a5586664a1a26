//! The certificate that a host makes for itself; guests know it by its SHA-256, so no authority has to vouch for it.

use std::net::IpAddr;

use rcgen::{
    CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, KeyPair, KeyUsagePurpose, SanType,
    date_time_ymd,
};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use sha2::{Digest, Sha256};

use super::digest::hex;
use crate::error::{Error, Kind, Next, Result};
use crate::lending::CertificatePrint;

/// A certificate and its key, as PEM.
pub(super) struct Made {
    /// The certificate.
    pub(super) certificate: String,
    /// Its private key.
    pub(super) key: String,
}

/// Makes a certificate for a host of this name or IP address (one of version 6 in brackets). It is valid for as long
/// as anybody plans, because an expired one would lock every guest out.
///
/// # Errors
/// `BadInput` if the name cannot stand in a certificate.
pub(super) fn make(name: &str) -> Result<Made> {
    let work = || -> std::result::Result<Made, rcgen::Error> {
        let bare = name.trim_start_matches('[').trim_end_matches(']');
        let mut params = CertificateParams::default();
        params.not_before = date_time_ymd(2020, 1, 1);
        params.not_after = date_time_ymd(2120, 1, 1);
        params.is_ca = IsCa::ExplicitNoCa;
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.distinguished_name.push(DnType::CommonName, bare);
        params.subject_alt_names = vec![match bare.parse::<IpAddr>() {
            Ok(ip) => SanType::IpAddress(ip),
            Err(_) => SanType::DnsName(bare.try_into()?),
        }];
        let key = KeyPair::generate()?;
        let certificate = params.self_signed(&key)?;
        Ok(Made {
            certificate: certificate.pem(),
            key: key.serialize_pem(),
        })
    };
    work().map_err(|e| {
        Error::new(
            Kind::BadInput,
            format!("no certificate can be made for the name {name:?}"),
        )
        .because(e)
        .next(Next::say("give the host another address"))
    })
}

/// The SHA-256 of the first certificate in `pem`.
///
/// # Errors
/// `Damaged` if there is none.
pub(super) fn print(pem: &[u8]) -> Result<CertificatePrint> {
    let damaged = || {
        Error::new(
            Kind::Damaged,
            "the host's certificate in tls/certificate.pem cannot be read",
        )
        .next(Next::say(
            "put the file back from a copy; guests know the host by this certificate",
        ))
    };
    let der = CertificateDer::from_pem_slice(pem).map_err(|_| damaged())?;
    hex(&Sha256::digest(&der)).parse().map_err(|_| damaged())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_made_for_names_and_addresses() {
        for name in ["lena.example", "10.0.0.7", "[::1]", "localhost"] {
            let made = make(name).unwrap();
            let first = print(made.certificate.as_bytes()).unwrap();
            assert_eq!(print(made.certificate.as_bytes()).unwrap(), first);
            let other = make(name).unwrap();
            assert_ne!(print(other.certificate.as_bytes()).unwrap(), first);
            assert!(made.key.contains("PRIVATE KEY"));
        }
        assert!(print(b"nothing").is_err());
    }
}
