//! No NaN and no infinity can reach a file: a serializer that writes nothing
//! and only looks at every number.

use serde::Serialize;
use serde::ser::{
    Error, SerializeMap, SerializeSeq, SerializeStruct, SerializeStructVariant, SerializeTuple,
    SerializeTupleStruct, SerializeTupleVariant, Serializer,
};

/// A number that is not finite, with the fields that lead to it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a number that is not finite at `{path}`; this is a bug")]
pub struct NotFinite {
    path: String,
}

impl NotFinite {
    /// The same, found in a field of something larger.
    pub(super) fn under(mut self, field: &str) -> Self {
        self.path = if self.path.is_empty() {
            field.to_owned()
        } else {
            format!("{field}.{}", self.path)
        };
        self
    }
}

impl Error for NotFinite {
    fn custom<T: std::fmt::Display>(message: T) -> Self {
        Self {
            path: message.to_string(),
        }
    }
}

/// Looks at every number of `value`.
///
/// # Errors
/// [`NotFinite`] for the first NaN or infinity.
pub(super) fn check<T: Serialize>(value: &T) -> Result<(), NotFinite> {
    value.serialize(FiniteOnly)
}

#[derive(Clone, Copy)]
struct FiniteOnly;

type Outcome = Result<(), NotFinite>;

/// Scalars that cannot be other than finite.
macro_rules! fine {
    ($($method:ident: $type:ty),+) => { $(fn $method(self, _: $type) -> Outcome { Ok(()) })+ };
}

/// Compound values: each element is looked at.
macro_rules! elements {
    ($($tr:ident :: $method:ident),+) => { $(impl $tr for FiniteOnly {
        type Ok = ();
        type Error = NotFinite;
        fn $method<T: Serialize + ?Sized>(&mut self, value: &T) -> Outcome { value.serialize(*self) }
        fn end(self) -> Outcome { Ok(()) }
    })+ };
}

/// Compound values with names.
macro_rules! fields {
    ($($tr:ident),+) => { $(impl $tr for FiniteOnly {
        type Ok = ();
        type Error = NotFinite;
        fn serialize_field<T: Serialize + ?Sized>(&mut self, key: &'static str, value: &T) -> Outcome {
            value.serialize(*self).map_err(|e| e.under(key))
        }
        fn end(self) -> Outcome { Ok(()) }
    })+ };
}

elements!(
    SerializeSeq::serialize_element,
    SerializeTuple::serialize_element
);
elements!(
    SerializeTupleStruct::serialize_field,
    SerializeTupleVariant::serialize_field
);
fields!(SerializeStruct, SerializeStructVariant);

impl SerializeMap for FiniteOnly {
    type Ok = ();
    type Error = NotFinite;
    fn serialize_key<T: Serialize + ?Sized>(&mut self, _: &T) -> Outcome {
        Ok(())
    }
    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Outcome {
        value.serialize(*self)
    }
    fn end(self) -> Outcome {
        Ok(())
    }
}

impl Serializer for FiniteOnly {
    type Ok = ();
    type Error = NotFinite;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    fine!(serialize_bool: bool, serialize_i8: i8, serialize_i16: i16, serialize_i32: i32);
    fine!(serialize_i64: i64, serialize_u8: u8, serialize_u16: u16, serialize_u32: u32);
    fine!(serialize_u64: u64, serialize_char: char, serialize_str: &str, serialize_bytes: &[u8]);

    fn serialize_f32(self, value: f32) -> Outcome {
        self.serialize_f64(f64::from(value))
    }
    fn serialize_f64(self, value: f64) -> Outcome {
        if value.is_finite() {
            Ok(())
        } else {
            Err(NotFinite {
                path: String::new(),
            })
        }
    }
    fn serialize_none(self) -> Outcome {
        Ok(())
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Outcome {
        value.serialize(self)
    }
    fn serialize_unit(self) -> Outcome {
        Ok(())
    }
    fn serialize_unit_struct(self, _: &'static str) -> Outcome {
        Ok(())
    }
    fn serialize_unit_variant(self, _: &'static str, _: u32, _: &'static str) -> Outcome {
        Ok(())
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Outcome {
        value.serialize(self)
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        value: &T,
    ) -> Outcome {
        value.serialize(self)
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_tuple(self, _: usize) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_map(self, _: Option<usize>) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self, NotFinite> {
        Ok(self)
    }
    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, NotFinite> {
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::check;

    #[derive(serde::Serialize)]
    struct Outer {
        inner: Vec<Option<f64>>,
    }

    #[test]
    fn a_number_that_is_not_finite_is_found_and_its_field_named() {
        assert!(
            check(&Outer {
                inner: vec![Some(1.0), None]
            })
            .is_ok()
        );
        let error = check(&Outer {
            inner: vec![Some(f64::NAN)],
        })
        .unwrap_err();
        assert!(error.to_string().contains("inner"));
    }
}
