//! Points of a sweep as an Apache Parquet file (format version 2): a column for each key that varies, three for each figure.
//! Behind the feature `parquet`.

use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::Result;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{Type, TypePtr};

use crate::outcome::SweepListing;

/// A column before it is written.
struct Column {
    name: String,
    values: Values,
}

/// Its values, one for each point; a missing one is null.
enum Values {
    Numbers(Vec<Option<f64>>),
    Texts(Vec<Option<String>>),
}

/// The bytes of the file.
///
/// # Errors
/// What the library says: of names that occur twice, say.
pub fn sweep_parquet(listing: &SweepListing) -> Result<Vec<u8>> {
    let columns = columns(listing);
    let mut fields = vec![field("point", Physical::INT64, Repetition::REQUIRED, None)?];
    for column in &columns {
        fields.push(match column.values {
            Values::Numbers(_) => field(&column.name, Physical::DOUBLE, Repetition::OPTIONAL, None)?,
            Values::Texts(_) => {
                field(&column.name, Physical::BYTE_ARRAY, Repetition::OPTIONAL, Some(LogicalType::String))?
            }
        });
    }
    let schema = Arc::new(Type::group_type_builder("sweep").with_fields(fields).build()?);
    let mut writer =
        SerializedFileWriter::new(Vec::new(), schema, Arc::new(WriterProperties::builder().build()))?;
    let mut group = writer.next_row_group()?;
    if let Some(mut numbers) = group.next_column()? {
        let points: Vec<i64> = listing.rows.iter().map(|row| row.number as i64).collect();
        numbers.typed::<Int64Type>().write_batch(&points, None, None)?;
        numbers.close()?;
    }
    for column in columns {
        let Some(mut written) = group.next_column()? else { break };
        match column.values {
            Values::Numbers(values) => {
                let (levels, known) = apart(values);
                written.typed::<DoubleType>().write_batch(&known, Some(&levels), None)?;
            }
            Values::Texts(values) => {
                let (levels, known) = apart(values);
                let known: Vec<ByteArray> =
                    known.iter().map(|text: &String| ByteArray::from(text.as_str())).collect();
                written.typed::<ByteArrayType>().write_batch(&known, Some(&levels), None)?;
            }
        }
        written.close()?;
    }
    group.close()?;
    writer.into_inner()
}

fn field(
    name: &str,
    kind: Physical,
    repetition: Repetition,
    logical: Option<LogicalType>,
) -> Result<TypePtr> {
    let built =
        Type::primitive_type_builder(name, kind).with_repetition(repetition).with_logical_type(logical);
    Ok(Arc::new(built.build()?))
}

/// Definition levels (1 where there is a value), and the values that there are.
fn apart<T>(values: Vec<Option<T>>) -> (Vec<i16>, Vec<T>) {
    (values.iter().map(|value| i16::from(value.is_some())).collect(), values.into_iter().flatten().collect())
}

fn columns(listing: &SweepListing) -> Vec<Column> {
    let Some(first) = listing.rows.first() else { return Vec::new() };
    let mut columns = Vec::new();
    for (at, (path, _)) in first.sets.iter().enumerate() {
        let values =
            listing.rows.iter().map(|row| row.sets.get(at).map(|(_, v)| v.trim_matches('"').to_owned()));
        columns.push(Column { name: path.clone(), values: Values::Texts(values.collect()) });
    }
    for (at, figure) in first.figures.iter().enumerate() {
        let mut add = |end: &str, of: &dyn Fn(&crate::outcome::KeptFigure) -> Option<f64>| {
            let values = listing.rows.iter().map(|row| row.figures.get(at).and_then(of)).collect();
            columns.push(Column { name: format!("{}{end}", figure.name), values: Values::Numbers(values) });
        };
        add("", &|figure| figure.value);
        add(".low", &|figure| figure.low);
        add(".high", &|figure| figure.high);
    }
    let rounds = listing.rows.iter().map(|row| row.round.map(f64::from)).collect();
    columns.push(Column { name: "round".into(), values: Values::Numbers(rounds) });
    let errors = listing.rows.iter().map(|row| row.error.clone()).collect();
    columns.push(Column { name: "error".into(), values: Values::Texts(errors) });
    columns
}

#[cfg(test)]
mod tests {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::Field;

    use super::*;
    use crate::outcome::{KeptFigure, ListingRow};

    /// What is written reads back, nulls too.
    #[test]
    fn a_file_reads_back() {
        let figure =
            |value: Option<f64>| KeptFigure { name: "run.p99".into(), value, low: value, high: None };
        let row = |number: u64, value: Option<f64>, error: Option<&str>| ListingRow {
            number,
            sets: vec![("class.a.load.rate".into(), "\"5/s\"".into())],
            error: error.map(String::from),
            round: value.map(|_| 2),
            standing: None,
            figures: vec![figure(value)],
        };
        let listing = SweepListing {
            schema: 1,
            tool: String::new(),
            title: String::new(),
            variants: 2,
            planned: Some(2),
            finished: 2,
            failed: 1,
            kept: 2,
            known: Vec::new(),
            front: Vec::new(),
            rows: vec![row(3, Some(0.1 + 0.2), None), row(7, None, Some("no drives"))],
        };
        let bytes = sweep_parquet(&listing).expect("it is written");
        let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).expect("a file");
        let rows: Vec<Vec<Field>> = reader
            .get_row_iter(None)
            .expect("rows")
            .map(|row| row.expect("a row").into_columns().into_iter().map(|(_, field)| field).collect())
            .collect();
        let text = |text: &str| Field::Str(text.into());
        let value = Field::Double(0.1 + 0.2);
        let null = || Field::Null;
        assert_eq!(
            rows[0],
            [Field::Long(3), text("5/s"), value.clone(), value, null(), Field::Double(2.0), null()]
        );
        assert_eq!(rows[1], [Field::Long(7), text("5/s"), null(), null(), null(), null(), text("no drives")]);
    }
}
