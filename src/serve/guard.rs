//! Who is let in: requests that are meant for this server, and changes that come from its own pages.
//!
//! Any page of the web can make a browser send requests to an address of this machine. What it cannot do is to choose the
//! `Host` of a connection to us (but for a name of its own that it lets point here, which is why names are refused), to hide
//! where a request comes from, or to read the token that our forms carry.

use std::net::{IpAddr, SocketAddr};

use axum::http::{HeaderMap, Method, Request, StatusCode, header};

/// Longest body of a request, bytes.
pub const BODY_MAX: usize = 64 << 10;

/// The rules of one server.
#[derive(Clone, Debug)]
pub struct Guard {
    address: SocketAddr,
    token: String,
}

/// Why a request is refused.
pub type Refused = (StatusCode, &'static str);

impl Guard {
    /// Of a server that listens here, with a token of its own.
    ///
    /// # Errors
    /// The system has no random bytes.
    pub fn new(address: SocketAddr) -> Result<Self, String> {
        let mut bytes = [0_u8; 16];
        getrandom::fill(&mut bytes).map_err(|error| format!("the system gives no random bytes: {error}"))?;
        Ok(Guard { address, token: bytes.iter().map(|byte| format!("{byte:02x}")).collect() })
    }

    /// What a form of this server carries.
    pub fn token(&self) -> &str {
        &self.token
    }

    /// Whether a form carried it. Hashes are compared in constant time.
    pub fn knows(&self, token: &str) -> bool {
        blake3::hash(token.as_bytes()) == blake3::hash(self.token.as_bytes())
    }

    /// What can be told before a body is read.
    ///
    /// # Errors
    /// Status and words of the refusal.
    pub fn admit<B>(&self, request: &Request<B>) -> Result<(), Refused> {
        let headers = request.headers();
        let named = only(headers, header::HOST.as_str()).is_some_and(|host| self.is_own(host));
        let asked = request.uri().authority().is_none_or(|authority| self.is_own(authority.as_str()));
        if !named || !asked {
            return Err((
                StatusCode::FORBIDDEN,
                "The request is for another host name. Use the address that forebay printed.",
            ));
        }
        if ![Method::GET, Method::HEAD, Method::POST].contains(request.method()) {
            return Err((StatusCode::METHOD_NOT_ALLOWED, "This server answers GET, HEAD and POST."));
        }
        if request.method() == Method::POST && !self.is_from_own_page(headers) {
            return Err((
                StatusCode::FORBIDDEN,
                "The request comes from another site, and only pages of this server may start or stop anything.",
            ));
        }
        Ok(())
    }

    /// A browser that is told not to say where it comes from, as ours are, sends "null" with a form; then what it says of
    /// the site, which no page can change, has to settle it.
    fn is_from_own_page(&self, headers: &HeaderMap) -> bool {
        let site = headers.get("sec-fetch-site").map(|site| site.as_bytes());
        let is_same_site = site.is_none_or(|site| site == b"same-origin");
        let is_own_origin = match headers.get_all(header::ORIGIN).iter().collect::<Vec<_>>()[..] {
            [] => true,
            [origin] if origin == "null" => site.is_some(),
            [origin] => {
                let own = origin.to_str().ok().and_then(|origin| origin.strip_prefix("http://"));
                own.is_some_and(|host| self.is_own(host))
            }
            _ => false,
        };
        is_same_site && is_own_origin
    }

    /// Whether a host, as `Host` and `Origin` spell it, is this server. Names other than localhost never are.
    fn is_own(&self, host: &str) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') => (name, port.parse().ok()),
            // Browsers leave out the port of the scheme.
            _ => (host, Some(80)),
        };
        if port != Some(self.address.port()) {
            return false;
        }
        if name.eq_ignore_ascii_case("localhost") {
            return true;
        }
        let literal = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
        let listens = self.address.ip();
        literal.parse::<IpAddr>().is_ok_and(|ip| ip == listens || listens.is_unspecified())
    }
}

/// A header that is there exactly once.
fn only<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    let mut all = headers.get_all(name).iter();
    all.next().filter(|_| all.next().is_none())?.to_str().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard(address: &str) -> Guard {
        Guard::new(address.parse().expect("an address")).expect("random bytes")
    }

    #[test]
    fn only_the_own_address_and_localhost_are_hosts() {
        let own = guard("127.0.0.1:8780");
        for host in ["127.0.0.1:8780", "localhost:8780", "LOCALHOST:8780"] {
            assert!(own.is_own(host), "{host}");
        }
        for host in [
            "127.0.0.1",
            "127.0.0.1:8781",
            "depot.example:8780",
            "127.0.0.2:8780",
            "localhost.:8780",
            "",
            ":8780",
        ] {
            assert!(!own.is_own(host), "{host}");
        }
        let six = guard("[::1]:8780");
        assert!(six.is_own("[::1]:8780") && !six.is_own("[::2]:8780") && !six.is_own("[::1]"));
        let all = guard("0.0.0.0:80");
        assert!(all.is_own("192.0.2.7") && all.is_own("192.0.2.7:80") && !all.is_own("depot.example"));
    }

    #[test]
    fn writes_come_from_own_pages() {
        let own = guard("127.0.0.1:8780");
        let post = |headers: &[(&str, &str)]| {
            let mut request =
                Request::builder().method("POST").uri("/job/1/stop").header("host", "127.0.0.1:8780");
            for (name, value) in headers {
                request = request.header(*name, *value);
            }
            own.admit(&request.body(()).expect("a request")).is_ok()
        };
        assert!(post(&[]));
        assert!(post(&[("origin", "http://127.0.0.1:8780"), ("sec-fetch-site", "same-origin")]));
        assert!(post(&[("origin", "null"), ("sec-fetch-site", "same-origin")]));
        assert!(!post(&[("origin", "null")]));
        assert!(!post(&[("origin", "null"), ("sec-fetch-site", "cross-site")]));
        assert!(!post(&[("origin", "http://depot.example")]));
        assert!(!post(&[("origin", "http://127.0.0.1:8781")]));
        assert!(!post(&[("origin", "https://127.0.0.1:8780")]));
        assert!(!post(&[("origin", "http://127.0.0.1:8780"), ("origin", "http://depot.example")]));
        assert!(!post(&[("sec-fetch-site", "same-site")]));
        assert!(own.knows(own.token()) && !own.knows("") && !guard("127.0.0.1:1").knows(own.token()));
    }
}
