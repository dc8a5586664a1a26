//! Signing in to a WebDAV server: which of its challenges is answered, and with what.

use std::sync::Mutex;

use http::header::{HeaderMap, HeaderValue, WWW_AUTHENTICATE};
use http_auth::parser::ChallengeParser;
use http_auth::{ChallengeRef, DigestClient, PasswordParams};

use crate::shelf::secret::Secret;

/// Who signs in, and how the server wants it.
pub(super) struct SignIn {
    who: Option<(String, Secret)>,
    /// Basic sends the password as it is: only where nobody can read along, or where the person asked for it.
    pub(super) basic: bool,
    /// What was answered last; the next request need not be refused first.
    known: Mutex<Option<Way>>,
}

/// A way of signing in.
enum Way {
    Basic,
    Digest {
        digest: DigestClient,
        /// True if the server says that it takes names in UTF-8, and so knows how they are written.
        utf8: bool,
    },
}

/// What a refusal asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    /// A way that can be answered; `stale` if the last answer was right and only too old.
    Known {
        /// As the server says.
        stale: bool,
        /// True if the next answer will be the same as the last one, as the password itself is.
        same: bool,
    },
    /// Only the password in clear, and the way there is open.
    InClear,
    /// Nothing that we know.
    Unknown,
}

impl SignIn {
    pub(super) fn new(who: Option<(String, Secret)>, basic: bool) -> SignIn {
        SignIn {
            who,
            basic,
            known: Mutex::new(None),
        }
    }

    /// True if there is somebody to sign in.
    pub(super) fn has_user(&self) -> bool {
        self.who.is_some()
    }

    /// The Authorization header for the next request, if the server has asked for one.
    pub(super) fn answer(&self, method: &str, uri: &str) -> Option<HeaderValue> {
        self.answer_by(method, uri, DigestClient::respond)
    }

    fn answer_by(
        &self,
        method: &str,
        uri: &str,
        respond: impl Fn(&mut DigestClient, &PasswordParams<'_>) -> Result<String, String>,
    ) -> Option<HeaderValue> {
        let (user, secret) = self.who.as_ref()?;
        let text = match self.known.lock().ok()?.as_mut()? {
            Way::Basic => http_auth::basic::encode_credentials(user, secret.expose()),
            Way::Digest { digest, utf8 } => {
                let params = PasswordParams {
                    username: user,
                    password: secret.expose(),
                    uri,
                    method,
                    body: None,
                };
                let text = respond(digest, &params).ok()?;
                if *utf8 {
                    text
                } else {
                    with_plain_name(text, user)
                }
            }
        };
        let mut value = HeaderValue::from_bytes(text.as_bytes()).ok()?;
        value.set_sensitive(true);
        Some(value)
    }

    /// Takes in what a refusal with status 401 asks for: the strongest that we know.
    ///
    /// # Source
    /// RFC 9110, section 11.6.1: several challenges in one or several headers.
    pub(super) fn learn(&self, headers: &HeaderMap) -> Asked {
        let mut best: Option<(u8, Way, bool)> = None;
        let mut in_clear = false;
        let texts = headers.get_all(WWW_AUTHENTICATE).iter();
        for text in texts.filter_map(|h| h.to_str().ok()) {
            // What follows a part that cannot be read cannot be told apart.
            for challenge in ChallengeParser::new(text).map_while(Result::ok) {
                let Some((strength, way, stale)) = way(&challenge) else {
                    continue;
                };
                if strength == 0 && !self.basic {
                    in_clear = true;
                    continue;
                }
                // Among equals the server's order counts.
                if best.as_ref().is_none_or(|(b, ..)| strength > *b) {
                    best = Some((strength, way, stale));
                }
            }
        }
        match (best, self.known.lock()) {
            (Some((_, way, stale)), Ok(mut known)) => {
                let same = matches!(way, Way::Basic);
                *known = Some(way);
                Asked::Known { stale, same }
            }
            _ if in_clear => Asked::InClear,
            _ => Asked::Unknown,
        }
    }
}

/// An answer to a server that may not know `username*`: names are then sent as their bytes, as most clients do.
///
/// # Source
/// RFC 7616, sections 3.4 and 4: only the parameter `charset` says that a server knows it.
fn with_plain_name(text: String, user: &str) -> String {
    let rest = text
        .strip_prefix("Digest username*=")
        .and_then(|rest| rest.split_once(','));
    match rest {
        Some((_, rest)) => {
            let user = user.replace('\\', "\\\\").replace('"', "\\\"");
            format!("Digest username=\"{user}\",{rest}")
        }
        None => text,
    }
}

/// How strong a challenge is, from 0; none if it cannot be answered.
fn way(challenge: &ChallengeRef<'_>) -> Option<(u8, Way, bool)> {
    use http_auth::digest::{Algorithm, Qop};
    if challenge.scheme.eq_ignore_ascii_case("Basic") {
        return Some((0, Way::Basic, false));
    }
    if !challenge.scheme.eq_ignore_ascii_case("Digest") {
        return None;
    }
    let digest = DigestClient::try_from(challenge).ok()?;
    if !(digest.qop() & Qop::Auth) {
        return None;
    }
    let strength = match digest.algorithm() {
        Algorithm::Md5 => 1,
        _ => 2,
    };
    let stale = digest.stale();
    let utf8 = challenge
        .params
        .iter()
        .any(|(name, _)| name.eq_ignore_ascii_case("charset"));
    Some((strength, Way::Digest { digest, utf8 }, stale))
}

#[cfg(test)]
mod tests;
