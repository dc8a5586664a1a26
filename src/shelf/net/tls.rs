//! Whom to trust: a certificate pinned by its print, or further authorities beside the system's.

use std::io;
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::time::Duration;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{CertificateError, ClientConfig, DigitallySignedStruct, SignatureScheme};
use sha2::{Digest, Sha256};

use super::trouble::TroubleKind;
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
        .with_custom_certificate_verifier(Arc::new(Pinned {
            print: Some(print),
            provider,
        }))
        .with_no_client_auth())
}

/// The print of the certificate that a server shows, where nothing tells which one would be right: whoever uses it
/// trusts the first server that answers, and may send it nothing secret.
///
/// # Errors
/// What went wrong on the way there.
pub fn shown_by(
    name: &str,
    port: u16,
    patience: Duration,
) -> std::result::Result<CertificatePrint, TroubleKind> {
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    let addresses = (bare, port)
        .to_socket_addrs()
        .map_err(|_| TroubleKind::NotFound)?;
    let mut stream = None;
    let mut failed = TroubleKind::NotFound;
    for address in addresses {
        match TcpStream::connect_timeout(&address, patience) {
            Ok(connected) => {
                stream = Some(connected);
                break;
            }
            Err(e) if e.kind() == io::ErrorKind::ConnectionRefused => {
                failed = TroubleKind::NotListening;
            }
            Err(_) => failed = TroubleKind::NoAnswer,
        }
    }
    let mut stream = stream.ok_or(failed)?;
    let other = |e: rustls::Error| TroubleKind::Tls(e.to_string());
    let _ = stream.set_read_timeout(Some(patience));
    let _ = stream.set_write_timeout(Some(patience));
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(other)?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Pinned {
            print: None,
            provider,
        }))
        .with_no_client_auth();
    let server = ServerName::try_from(bare.to_string()).map_err(|_| TroubleKind::NotFound)?;
    let mut session = rustls::ClientConnection::new(Arc::new(config), server).map_err(other)?;
    while session.is_handshaking() {
        session
            .complete_io(&mut stream)
            .map_err(|_| TroubleKind::Tls("the handshake failed".to_string()))?;
    }
    session
        .peer_certificates()
        .and_then(|shown| shown.first())
        .and_then(|first| print_of(first).parse().ok())
        .ok_or_else(|| TroubleKind::Tls("no certificate was shown".to_string()))
}

#[derive(Debug)]
struct Pinned {
    /// None: any, for [`shown_by`].
    print: Option<CertificatePrint>,
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
        let wanted = self.print.as_ref();
        if wanted.is_none_or(|print| print.as_str() == print_of(end_entity)) {
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
