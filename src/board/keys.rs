//! One source for a profile's keys: the macro `section!` makes the struct,
//! its defaults and the table that help texts, `boards new` and the checks
//! read, so that no key can stand without its unit, default and origin.

/// One documented key of a board profile.
#[derive(Debug)]
pub struct Key {
    /// The key's name inside its section.
    pub name: &'static str,
    /// What it means.
    pub what: &'static str,
    /// Unit, or the words it may take.
    pub unit: &'static str,
    /// Where to find the value.
    pub source: &'static str,
    /// Least and greatest sensible value of a number.
    pub range: Option<(f64, f64)>,
}

/// Makes a section of the profile: a struct with serde, defaults and `KEYS`.
macro_rules! section {
    (
        $(#[doc = $about:literal])+
        $name:ident {
            $(
                $(#[doc = $doc:literal])+
                $field:ident : $ty:ty = $default:expr, $unit:literal, $source:literal $(, $lo:literal ..= $hi:literal)? ;
            )+
        }
        $( nested { $( $(#[doc = $ndoc:literal])+ $nfield:ident : $nty:ty ; )+ } )?
    ) => {
        $(#[doc = $about])+
        #[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct $name {
            $(
                $(#[doc = $doc])+
                #[doc = concat!("\n\nUnit: ", $unit, ". Default: `", stringify!($default), "`. Found: ", $source, ".")]
                pub $field: $ty,
            )+
            $( $( $(#[doc = $ndoc])+ pub $nfield: $nty, )+ )?
        }
        impl Default for $name {
            fn default() -> Self {
                Self {
                    $( $field: $default, )+
                    $( $( $nfield: <$nty>::default(), )+ )?
                }
            }
        }
        impl $name {
            /// The section's keys, in the order of the struct.
            pub const KEYS: &'static [$crate::board::keys::Key] = &[ $(
                $crate::board::keys::Key {
                    name: stringify!($field),
                    what: concat!($($doc),+),
                    unit: $unit,
                    source: $source,
                    range: $crate::board::keys::range!($($lo, $hi)?),
                },
            )+ ];
        }
    };
}

macro_rules! range {
    () => {
        None
    };
    ($lo:literal, $hi:literal) => {
        Some(($lo as f64, $hi as f64))
    };
}

pub(crate) use {range, section};
