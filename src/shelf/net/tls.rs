//! Whom to trust: a certificate pinned by its print, or further authorities beside the system's.

use std::sync::Arc;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, SignatureScheme};
use sha2::{Digest, Sha256};

use crate::error::{Error, Kind, Next, Result};
use crate::lending::CertificatePrint;

/// The certificates in `pem`.
///
/// # Errors
/// `BadInput` if there is none or one cannot be read.
pub fn authorities(pem: &[u8]) -> Result<Vec<reqwest::Certificate>> {
    let bad = || {
        Error::new(
            Kind::BadInput,
            "the file of certificates holds none that can be read",
        )
        .next(Next::say(
            "name a file that begins with -----BEGIN CERTIFICATE-----",
        ))
    };
    let found = reqwest::Certificate::from_pem_bundle(pem).map_err(|_| bad())?;
    match found.is_empty() {
        true => Err(bad()),
        false => Ok(found),
    }
}

/// The SHA-256 of a certificate in DER, as an invite line carries it.
pub fn print_of(certificate: &[u8]) -> String {
    Sha256::digest(certificate)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}

/// TLS that trusts the certificate of this print and no other, whatever name and dates stand in it: the print came
/// from the host's owner, which says more than any authority.
///
/// # Errors
/// `Bug` if the provider lacks what TLS 1.2 and 1.3 need.
pub fn pinned(print: CertificatePrint) -> Result<ClientConfig> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(|e| Error::new(Kind::Bug, "TLS could not be set up").because(e))?;
    Ok(config
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Pinned { print, provider }))
        .with_no_client_auth())
}

#[derive(Debug)]
struct Pinned {
    print: CertificatePrint,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> std::result::Result<ServerCertVerified, rustls::Error> {
        if print_of(end_entity) == self.print.as_str() {
            Ok(ServerCertVerified::assertion())
        } else {
            Err(rustls::Error::InvalidCertificate(
                CertificateError::ApplicationVerificationFailure,
            ))
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> std::result::Result<HandshakeSignatureValid, rustls::Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        verify_tls12_signature(message, cert, dss, algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> std::result::Result<HandshakeSignatureValid, rustls::Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        verify_tls13_signature(message, cert, dss, algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider
            .signature_verification_algorithms
            .supported_schemes()
    }
}
