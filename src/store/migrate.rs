//! An older database is brought up to this version, one version after the other, and a copy is kept.

use std::{
    fs::{self, File},
    io,
    path::{Path, PathBuf},
};

use rusqlite::{Connection, OpenFlags};

use super::{
    StoreError,
    fault::{WriteFault, with_ending},
    open::make_private,
};

/// The SQL that upgrades each version to the next, beginning with version 1.
const MIGRATIONS: &[&str] = &[
    include_str!("migrations/from_1.sql"),
    include_str!("migrations/from_2.sql"),
    include_str!("migrations/from_3.sql"),
    include_str!("migrations/from_4.sql"),
    include_str!("migrations/from_5.sql"),
    include_str!("migrations/from_6.sql"),
];

/// The version of the database that this program writes; stored in SQLite's `user_version`.
pub(crate) const SCHEMA_VERSION: i64 = 1 + MIGRATIONS.len() as i64;

/// Migrates a database of an older version. The copy stands beside it and names that version.
pub(super) fn migrate(connection: &mut Connection, path: &Path, from: i64) -> Result<PathBuf, StoreError> {
    let copy = with_ending(path, &format!(".version-{from}"));
    // A copy from an earlier attempt is kept, where it is whole: it was made before anything was changed.
    if !is_whole(&copy, from) {
        keep_copy(connection, path, &copy)?;
    }
    for (version, migration) in (1..).zip(MIGRATIONS).filter(|(version, _)| *version >= from) {
        upgrade(connection, migration, version + 1).map_err(|error| StoreError::of_own(error, connection, path))?;
    }
    Ok(copy)
}

fn upgrade(connection: &mut Connection, migration: &str, to: i64) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(migration)?;
    transaction.pragma_update(None, "user_version", to)?;
    transaction.commit()
}

/// Whether there is a copy of this version with all its pages.
fn is_whole(copy: &Path, version: i64) -> bool {
    let check = || -> rusqlite::Result<bool> {
        let connection = Connection::open_with_flags(copy, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let found: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
        let health: String = connection.pragma_query_value(None, "quick_check", |row| row.get(0))?;
        Ok(found == version && health == "ok")
    };
    check().unwrap_or(false)
}

/// Makes the copy under another name first, so that there is a whole one or none. It may be read by whom the original
/// may be read by.
fn keep_copy(connection: &Connection, path: &Path, copy: &Path) -> Result<(), StoreError> {
    let unfinished = with_ending(copy, ".unfinished");
    let failed = |fault: &WriteFault| StoreError::Copy {
        path: path.to_owned(),
        why: format!("{}; {}", fault.reason(), fault.remedy()),
    };
    drop(fs::remove_file(&unfinished));
    // SQLite fills an empty file, and nobody else can read it meanwhile.
    make_private(&unfinished);
    connection
        .execute("VACUUM INTO ?1", [unfinished.to_string_lossy()])
        .map_err(|error| failed(&WriteFault::new(&error, connection, path)))?;
    let finish = || -> io::Result<()> {
        fs::set_permissions(&unfinished, fs::metadata(path)?.permissions())?;
        File::open(&unfinished)?.sync_all()?;
        fs::rename(&unfinished, copy)?;
        sync_folder_of(copy)
    };
    finish().map_err(|error| failed(&WriteFault::of_io(&error)))
}

/// Makes the names in a file's folder last.
pub(super) fn sync_folder_of(path: &Path) -> io::Result<()> {
    File::open(path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new(".")))?.sync_all()
}

#[cfg(test)]
mod tests {
    use rusqlite::Connection;

    use crate::store::{migrate::SCHEMA_VERSION, open_to_write};

    /// Columns of every table: name, type, whether it may be missing, and what stands where it is not given.
    fn columns(connection: &Connection) -> Vec<(String, String, String, bool, Option<String>)> {
        let sql = "SELECT t.name, c.name, c.type, c.\"notnull\", c.dflt_value FROM sqlite_schema t JOIN pragma_table_info(t.name) c
                   WHERE t.type = 'table' ORDER BY t.name, c.name";
        let mut statement = connection.prepare(sql).unwrap();
        let rows = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))
            .unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    }

    /// How every view is made.
    fn views(connection: &Connection) -> Vec<String> {
        let mut statement = connection.prepare("SELECT sql FROM sqlite_schema WHERE type = 'view'").unwrap();
        let rows = statement.query_map([], |row| row.get(0)).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    }

    fn words(connection: &Connection, sql: &str) -> Vec<String> {
        let mut statement = connection.prepare(sql).unwrap();
        let rows = statement.query_map([], |row| row.get(0)).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    }

    #[test]
    fn a_database_of_version_3_gets_the_words_of_the_trade() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let old = Connection::open(&path).unwrap();
        old.execute_batch(include_str!("../../tests/data/store/version_3.sql")).unwrap();
        old.execute_batch(
            "PRAGMA user_version = 3;
             INSERT INTO session (id, uuid, began_utc, began_utc_us, ended_us, machine, job, bench_text, program, first_row, last_row)
             VALUES (1, 'x', '2026-01-01T00:00:00Z', 1767225600000000, 5, 'loader', 'A-1', '', '0.1.0', 1, 3);
             INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
             VALUES (1, 1, 'probe', 'V DC', 'V', 'handheld', 'value', '', '');
             INSERT INTO sample (time_us, channel, value, verdict) VALUES (0, 1, 12.6, 0), (1, 1, 9.2, 1), (2, 1, 0.1, 3);
             INSERT INTO channel (id, session, name, quantity, unit, meter, reads, scale, accuracy)
             VALUES (2, 1, 'engine', '1/min', '1/min', 'adapter', 'value', '', '');
             INSERT INTO zero (session, at_us, channel, quantity, unit, value, u)
             VALUES (1, 0, 'probe', 'V DC', 'V', 0.1, 0.1), (1, 0, 'engine', '1/min', '1/min', 0.1, 0.1);",
        )
        .unwrap();
        let verdicts = ["within", "outside", "too close to call", "not loaded", "no reading"];
        for (number, verdict) in (1..).zip(verdicts) {
            old.execute(
                "INSERT INTO step (session, number, attempt, name, instruction, began_us, verdict, first_row)
                 VALUES (1, ?1, 1, 's', '', 0, ?2, 4)",
                (number, verdict),
            )
            .unwrap();
            let insert = "INSERT INTO capture (session, how, at_us, verdict, reason) VALUES (1, 'taken', 0, ?1, '')";
            old.execute(insert, [verdict]).unwrap();
        }
        old.execute_batch(
            "INSERT INTO step (session, number, attempt, name, instruction, channel, quantity, unit, limit_high, began_us, reason, first_row)
             VALUES (1, 6, 1, 'idle, 1/min', 'read 1/min', 'engine', '1/min', '1/min', 900.0, 0, '750 1/min is below 900 1/min', 4);
             INSERT INTO capture (session, step, how, at_us, channel, quantity, unit, value, reason)
             VALUES (1, 6, 'taken', 0, 'engine', '1/min', '1/min', 750.0, '750 1/min is below 900 1/min');",
        )
        .unwrap();
        for kind in ["told", "unfit", "store", "note"] {
            let insert = "INSERT INTO event (session, at_us, kind, subject, text) VALUES (1, 0, ?1, '', '')";
            old.execute(insert, [kind]).unwrap();
        }
        let kinds = ["nothing wrong", "resistance not placed", "open circuit", "not enough measured"];
        for (rank, kind) in (1..).zip(kinds) {
            old.execute(
                "INSERT INTO finding (session, rank, kind, circuits, sentence, sure, weight, z, evidence, alternatives, next)
                 VALUES (1, ?1, ?2, '', '', 'likely', 0.9, 3.0, '', '', '')",
                (rank, kind),
            )
            .unwrap();
        }
        drop(old);
        let (upgraded, _) = open_to_write(&path).unwrap();
        let expected = ["in limit", "out of limit", "too close to call", "no load current", "no reading"];
        assert_eq!(words(&upgraded, "SELECT verdict FROM step WHERE number < 6 ORDER BY number"), expected);
        assert_eq!(words(&upgraded, "SELECT verdict FROM capture WHERE step IS NULL ORDER BY id"), expected);
        let expected = ["announced", "meter not suited", "database", "note"];
        assert_eq!(words(&upgraded, "SELECT kind FROM event ORDER BY id"), expected);
        let expected = ["no fault found", "high resistance, place unknown", "open circuit", "too little measured"];
        assert_eq!(words(&upgraded, "SELECT kind FROM finding ORDER BY rank"), expected);
        let expected = ["in limit", "out of limit", "no load current"];
        assert_eq!(words(&upgraded, "SELECT verdict FROM reading ORDER BY row"), expected);
        let expected = ["V DC, V", "rpm, rpm"];
        assert_eq!(words(&upgraded, "SELECT quantity || ', ' || unit FROM channel ORDER BY id"), expected);
        assert_eq!(words(&upgraded, "SELECT quantity || ', ' || unit FROM zero ORDER BY id"), expected);
        let shaft_speed = "quantity || ', ' || unit || ', ' || reason";
        for (table, of_engine) in [("step", "number = 6"), ("capture", "step = 6")] {
            let found = words(&upgraded, &format!("SELECT {shaft_speed} FROM {table} WHERE {of_engine}"));
            assert_eq!(found, ["rpm, rpm, 750 rpm is below 900 rpm"], "{table}");
        }
        // What the operator or a file wrote stays.
        assert_eq!(
            words(&upgraded, "SELECT name || '; ' || instruction FROM step WHERE number = 6"),
            ["idle, 1/min; read 1/min"]
        );
        let (fresh, _) = open_to_write(&folder.path().join("fresh.db")).unwrap();
        assert_eq!((columns(&upgraded), views(&upgraded)), (columns(&fresh), views(&fresh)));
        assert!(folder.path().join("bayline.db.version-3").exists());
    }

    #[test]
    fn every_older_version_is_upgraded_to_what_a_new_database_has() {
        let folder = tempfile::tempdir().unwrap();
        let (fresh, _) = open_to_write(&folder.path().join("fresh.db")).unwrap();
        for version in 1..SCHEMA_VERSION {
            let schema = format!("{}/tests/data/store/version_{version}.sql", env!("CARGO_MANIFEST_DIR"));
            let schema = std::fs::read_to_string(&schema).unwrap_or_else(|error| panic!("{schema}: {error}"));
            let path = folder.path().join(format!("{version}.db"));
            let old = Connection::open(&path).unwrap();
            old.execute_batch(&schema).unwrap();
            old.pragma_update(None, "user_version", version).unwrap();
            drop(old);
            let (upgraded, _) = open_to_write(&path).unwrap();
            assert_eq!((columns(&upgraded), views(&upgraded)), (columns(&fresh), views(&fresh)), "version {version}");
            assert!(folder.path().join(format!("{version}.db.version-{version}")).exists());
        }
    }

    #[test]
    fn a_database_of_version_1_is_upgraded_and_a_copy_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let old = Connection::open(&path).unwrap();
        old.execute_batch(include_str!("../../tests/data/store/version_1.sql")).unwrap();
        old.execute_batch(
            "PRAGMA user_version = 1;
             INSERT INTO session (uuid, began_utc, began_utc_us, ended_us, ended_how, machine, job, bench_text, program,
                first_row, last_row)
             VALUES ('x', '2026-01-01T00:00:00Z', 1767225600000000, 5, 'ended', 'loader', 'A-1', '', '0.1.0', 1, 0)",
        )
        .unwrap();
        drop(old);
        let (upgraded, _) = open_to_write(&path).unwrap();
        let version: i64 = upgraded.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
        assert_eq!(version, SCHEMA_VERSION);
        let kept: (String, String) =
            upgraded.query_row("SELECT machine, vin FROM session", [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        assert_eq!(kept, ("loader".to_owned(), String::new()));
        // An upgraded database has what a new one has.
        let (fresh, _) = open_to_write(&folder.path().join("fresh.db")).unwrap();
        assert_eq!(columns(&upgraded), columns(&fresh));
        let copy = Connection::open(folder.path().join("bayline.db.version-1")).unwrap();
        let version: i64 = copy.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
        assert_eq!(version, 1);
    }

    #[test]
    fn schema_and_documentation_name_the_version() {
        let first = include_str!("schema.sql").lines().next().unwrap();
        assert_eq!(first, format!("-- bayline's database, version {SCHEMA_VERSION}. Any SQLite tool can read it."));
        let developers = include_str!("../../DEVELOPERS.md");
        assert!(developers.contains(&format!("database version {SCHEMA_VERSION};")), "what changed for users");
    }

    #[test]
    fn a_torn_copy_is_made_again_and_nobody_else_may_read_it() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bayline.db");
        let old = Connection::open(&path).unwrap();
        old.execute_batch(include_str!("../../tests/data/store/version_1.sql")).unwrap();
        old.pragma_update(None, "user_version", 1).unwrap();
        drop(old);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
        // What a program that was killed in the middle left: a beginning under the last name, and its own work.
        let copy = folder.path().join("bayline.db.version-1");
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&copy, &whole[..whole.len() / 2]).unwrap();
        std::fs::write(folder.path().join("bayline.db.version-1.unfinished"), &whole[..100]).unwrap();
        drop(open_to_write(&path).unwrap());
        assert!(super::is_whole(&copy, 1));
        assert_eq!(std::fs::metadata(&copy).unwrap().permissions().mode() & 0o777, 0o640);
        assert!(!folder.path().join("bayline.db.version-1.unfinished").exists());
    }
}
