//! Hashes of objects: hex and base64 texts, what a guest said a body would have, and what it had.

use s3s::checksum::ChecksumHasher;
use s3s::crypto::{Checksum as _, Md5};
use sha2::{Digest as _, Sha256};

/// Lowercase hex.
pub(super) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, b| {
        // Writing to a String does not fail.
        let _ = write!(text, "{b:02x}");
        text
    })
}

/// Reads exactly `N` bytes of lowercase hex.
pub(super) fn unhex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digit = |b: u8| match b {
        b'0'..=b'9' => Some(b - b'0'),
        b'a'..=b'f' => Some(b - b'a' + 10),
        _ => None,
    };
    let text = text.as_bytes();
    if text.len() != 2 * N {
        return None;
    }
    let mut out = [0; N];
    for (o, pair) in out.iter_mut().zip(text.chunks_exact(2)) {
        *o = digit(pair[0])? << 4 | digit(pair[1])?;
    }
    Some(out)
}

/// Base64 with padding (RFC 4648 section 4), as checksums stand in S3 headers.
pub(super) fn base64(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let at = |i: usize| u32::from(group.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        for i in 0..4 {
            let letter = ALPHABET[(bits >> (18 - 6 * i)) as usize & 63];
            text.push(char::from(if i <= group.len() { letter } else { b'=' }));
        }
    }
    text
}

/// The name of a checksum in headers and trailers.
///
/// # Source
/// Amazon S3 API Reference, PutObject: the `x-amz-checksum-…` request headers.
const CHECKSUMS: [&str; 5] = [
    "x-amz-checksum-crc32",
    "x-amz-checksum-crc32c",
    "x-amz-checksum-crc64nvme",
    "x-amz-checksum-sha1",
    "x-amz-checksum-sha256",
];

/// What is known of a body before it is read.
#[derive(Debug, Default)]
pub(super) struct Promise {
    /// The SHA-256 that the signature covers; the S3 crate compares it with the body as that passes.
    pub(super) signed_sha256: Option<[u8; 32]>,
    /// `Content-MD5`, base64.
    pub(super) md5: Option<String>,
    /// Checksum headers and their values; those announced as trailers have none yet.
    checksums: Vec<(&'static str, Option<String>)>,
}

impl Promise {
    /// Reads the headers of a request whose signature was found right.
    pub(super) fn of(headers: &http::HeaderMap) -> Promise {
        let text = |name: &str| {
            let value = headers.get(name)?.to_str().ok()?;
            Some(value.trim().to_string())
        };
        let mut checksums: Vec<(&'static str, Option<String>)> = Vec::new();
        for name in CHECKSUMS {
            if let Some(value) = text(name) {
                checksums.push((name, Some(value)));
            }
        }
        for trailers in headers.get_all("x-amz-trailer") {
            for named in trailers.to_str().unwrap_or_default().split(',') {
                let named = named.trim().to_ascii_lowercase();
                if let Some(name) = CHECKSUMS.iter().find(|c| **c == named) {
                    checksums.push((name, None));
                }
            }
        }
        Promise {
            signed_sha256: text("x-amz-content-sha256").and_then(|t| unhex(&t)),
            md5: text("content-md5"),
            checksums,
        }
    }

    /// What is known of an object that comes in parts: the SHA-256 of all its bytes, base64, if that was said.
    pub(super) fn whole(sha256: Option<String>) -> Promise {
        Promise {
            checksums: sha256
                .map(|s| (CHECKSUMS[4], Some(s)))
                .into_iter()
                .collect(),
            ..Promise::default()
        }
    }

    /// The SHA-256 that the body must have, if that is known already.
    pub(super) fn sha256(&self) -> Option<[u8; 32]> {
        self.signed_sha256
    }

    /// Fills in the trailers that came behind the body.
    pub(super) fn add_trailers(&mut self, trailers: &http::HeaderMap) {
        for (name, value) in &mut self.checksums {
            if value.is_none() {
                let came = trailers.get(*name).and_then(|v| v.to_str().ok());
                *value = came.map(|v| v.trim().to_string());
            }
        }
    }
}

/// Hashes of a body while it passes; only those that somebody needs.
pub(super) struct Hasher {
    sha256: Option<Sha256>,
    md5: Option<Md5>,
    others: Option<ChecksumHasher>,
}

/// The hashes of a body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Hashes {
    /// Its SHA-256.
    pub(super) sha256: [u8; 32],
    /// Its MD5, if the guest gave one.
    pub(super) md5: Option<[u8; 16]>,
}

impl Hasher {
    /// What has to be computed to hold a body against `promise`.
    pub(super) fn new(promise: &Promise) -> Hasher {
        let wanted = |name: &str| promise.checksums.iter().any(|(n, _)| *n == name);
        let others = ChecksumHasher {
            crc32: wanted(CHECKSUMS[0]).then(Default::default),
            crc32c: wanted(CHECKSUMS[1]).then(Default::default),
            crc64nvme: wanted(CHECKSUMS[2]).then(Default::default),
            sha1: wanted(CHECKSUMS[3]).then(Default::default),
            sha256: None,
        };
        let any = CHECKSUMS[..4].iter().any(|name| wanted(name));
        Hasher {
            // The S3 crate has hashed a signed body already; one pass is enough.
            sha256: promise.signed_sha256.is_none().then(Sha256::new),
            md5: promise.md5.is_some().then(Md5::new),
            others: any.then_some(others),
        }
    }

    /// Takes the next bytes.
    pub(super) fn update(&mut self, bytes: &[u8]) {
        if let Some(sha256) = &mut self.sha256 {
            sha256.update(bytes);
        }
        if let Some(md5) = &mut self.md5 {
            md5.update(bytes);
        }
        if let Some(others) = &mut self.others {
            others.update(bytes);
        }
    }

    /// The hashes, if the body is what was promised; else the name of the header that it does not agree with.
    pub(super) fn finish(self, promise: &Promise) -> Result<Hashes, &'static str> {
        let sha256 = match (self.sha256, promise.signed_sha256) {
            (Some(hasher), _) => hasher.finalize().into(),
            (None, Some(signed)) => signed,
            (None, None) => return Err("x-amz-content-sha256"),
        };
        let md5 = self.md5.map(|hasher| hasher.finalize());
        if let (Some(md5), Some(promised)) = (&md5, &promise.md5)
            && base64(md5) != *promised
        {
            return Err("content-md5");
        }
        let others = self
            .others
            .map(ChecksumHasher::finalize)
            .unwrap_or_default();
        let sha256_text = base64(&sha256);
        for (name, promised) in &promise.checksums {
            let found = match *name {
                "x-amz-checksum-crc32" => others.checksum_crc32.as_ref(),
                "x-amz-checksum-crc32c" => others.checksum_crc32c.as_ref(),
                "x-amz-checksum-crc64nvme" => others.checksum_crc64nvme.as_ref(),
                "x-amz-checksum-sha1" => others.checksum_sha1.as_ref(),
                _ => Some(&sha256_text),
            };
            // A trailer that was announced and did not come is as bad as a wrong one.
            if found != promised.as_ref() {
                return Err(name);
            }
        }
        Ok(Hashes { sha256, md5 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_standard() {
        // RFC 4648 section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn hex_reads_back() {
        assert_eq!(hex(&[0, 0xab, 0xff]), "00abff");
        assert_eq!(unhex::<3>("00abff"), Some([0, 0xab, 0xff]));
        for bad in ["", "00abf", "00abfff", "00ABFF", "00abxx"] {
            assert_eq!(unhex::<3>(bad), None, "{bad}");
        }
    }

    fn headers(of: &[(&'static str, &str)]) -> http::HeaderMap {
        of.iter()
            .map(|(name, value)| (http::HeaderName::from_static(name), value.parse().unwrap()))
            .collect()
    }

    fn judge(
        of: &[(&'static str, &str)],
        trailers: &[(&'static str, &str)],
    ) -> Result<Hashes, &'static str> {
        let mut promise = Promise::of(&headers(of));
        let mut hasher = Hasher::new(&promise);
        hasher.update(b"a");
        hasher.update(b"bc");
        promise.add_trailers(&headers(trailers));
        hasher.finish(&promise)
    }

    #[test]
    fn every_promise_about_a_body_is_kept_or_named() {
        // FIPS 180-4 example "abc"; RFC 1321 appendix A.5 "abc".
        let sha256: [u8; 32] =
            unhex("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad").unwrap();
        let md5: [u8; 16] = unhex("900150983cd24fb0d6963f7d28e17f72").unwrap();
        assert_eq!(judge(&[], &[]), Ok(Hashes { sha256, md5: None }));
        let right = base64(&md5);
        let all = Ok(Hashes {
            sha256,
            md5: Some(md5),
        });
        assert_eq!(judge(&[("content-md5", &right)], &[]), all);
        let wrong = base64(&[0; 16]);
        assert_eq!(judge(&[("content-md5", &wrong)], &[]), Err("content-md5"));

        let crc32 = base64(&s3s::crypto::Crc32::checksum_u32(b"abc").to_be_bytes());
        for (name, good) in [
            ("x-amz-checksum-sha256", base64(&sha256)),
            ("x-amz-checksum-crc32", crc32),
        ] {
            assert!(judge(&[(name, &good)], &[]).is_ok(), "{name}");
            assert_eq!(judge(&[(name, "AAAA")], &[]), Err(name));
            let announced = [("x-amz-trailer", name)];
            assert!(judge(&announced, &[(name, &good)]).is_ok(), "{name}");
            assert_eq!(judge(&announced, &[(name, "AAAA")]), Err(name));
            assert_eq!(judge(&announced, &[]), Err(name));
        }
    }
}
