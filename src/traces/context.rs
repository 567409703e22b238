//! Who a span is, and how that is told to others: W3C Trace Context, <https://www.w3.org/TR/trace-context/>.

use std::fmt;

/// The header.
pub const HEADER: &str = "traceparent";

/// A span among all spans of a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TraceContext {
    /// The trace; not 0.
    pub trace: u128,
    /// The span; not 0.
    pub span: u64,
    /// Whether who began the trace keeps it.
    pub sampled: bool,
}

impl TraceContext {
    /// The first span of a new trace.
    pub fn begin() -> Self {
        Self { trace: chance() | 1, span: Self::next_span(), sampled: true }
    }

    /// A span under this one.
    #[must_use]
    pub fn child(self) -> Self {
        Self { span: Self::next_span(), ..self }
    }

    fn next_span() -> u64 {
        u64::try_from(chance() >> 64).unwrap_or_default() | 1
    }

    /// What a header says; `None` where it says nothing that is right, which is then as if it were not there (section 4.3).
    pub fn parse(text: &str) -> Option<Self> {
        let is_hex = |text: &str| text.bytes().all(|c| c.is_ascii_digit() || (b'a'..=b'f').contains(&c));
        let mut parts = text.split('-');
        let (version, trace, span, flags) = (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
        let lengths = [version, trace, span, flags].map(str::len);
        if lengths != [2, 32, 16, 2] || ![version, trace, span, flags].into_iter().all(is_hex) {
            return None;
        }
        // Later versions may say more behind it; this one may not, and ff is none.
        if version == "ff" || (version == "00" && parts.next().is_some()) {
            return None;
        }
        let trace = u128::from_str_radix(trace, 16).ok().filter(|trace| *trace != 0)?;
        let span = u64::from_str_radix(span, 16).ok().filter(|span| *span != 0)?;
        Some(Self { trace, span, sampled: u8::from_str_radix(flags, 16).ok()? & 1 == 1 })
    }
}

impl fmt::Display for TraceContext {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "00-{:032x}-{:016x}-{:02x}", self.trace, self.span, u8::from(self.sampled))
    }
}

/// Random bits; without any from the system those of a random id.
fn chance() -> u128 {
    let mut bytes = [0; 16];
    match getrandom::fill(&mut bytes) {
        Ok(()) => u128::from_ne_bytes(bytes),
        Err(_) => uuid::Uuid::now_v7().as_u128(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_is_read_and_told_as_the_standard_says() {
        // The examples of section 3.2.4, "Examples of HTTP traceparent Headers".
        let sampled = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        let read = TraceContext::parse(sampled).unwrap();
        assert_eq!(
            read,
            TraceContext {
                trace: 0x4bf9_2f35_77b3_4da6_a3ce_929d_0e0e_4736,
                span: 0x00f0_67aa_0ba9_02b7,
                sampled: true
            }
        );
        assert_eq!(read.to_string(), sampled);
        let not = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00";
        assert!(!TraceContext::parse(not).unwrap().sampled);
        // A later version with more behind it is read as far as it is known (section 4.3).
        assert_eq!(TraceContext::parse(&format!("cc{}-what-the-future-will-be", &sampled[2..])), Some(read));
        for wrong in [
            "",
            "00",
            "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more",
            "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
            "00-4BF92F3577B34DA6A3CE929D0E0E4736-00F067AA0BA902B7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e473-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-1",
            "00-+bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "0\u{fc}-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
        ] {
            assert_eq!(TraceContext::parse(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn children_share_the_trace_and_no_two_spans_are_one() {
        let begun = TraceContext::begin();
        let child = begun.child();
        assert_eq!((child.trace, child.sampled), (begun.trace, true));
        assert_ne!(child.span, begun.span);
        assert_ne!(TraceContext::begin().trace, begun.trace);
    }
}
