//! A PostgreSQL server that does not let us in, in words that say what to do. A password is never among them.

use std::io;

use sqlx::postgres::PgConnectOptions;

use crate::store::Error;

/// What `error` means to who gave the address, in one line.
pub(super) fn postgres(options: &PgConnectOptions, error: sqlx::Error) -> Error {
    let user = options.get_username();
    let database = options.get_database().unwrap_or(user);
    let at = place(options);
    Error::Unusable(match &error {
        sqlx::Error::Io(error) if error.kind() == io::ErrorKind::ConnectionRefused => format!(
            "no PostgreSQL server answers at {at}: start it, or correct host and port in the database's address"
        ),
        sqlx::Error::Io(error) => format!(
            "the PostgreSQL server at {at} cannot be reached ({error}): correct host and port in the database's address, \
             or see to the network"
        ),
        sqlx::Error::PoolTimedOut => format!(
            "the PostgreSQL server at {at} takes no further connection: see whether it hangs, or give it more \
             (max_connections)"
        ),
        sqlx::Error::Tls(error) => format!(
            "the connection to the PostgreSQL server at {at} cannot be made secure ({error}): see to its certificate, or to \
             sslmode in the database's address"
        ),
        sqlx::Error::Database(told) => {
            // PostgreSQL, appendix A: 28P01 invalid_password, 28 invalid authorization, 3D000 invalid_catalog_name,
            // 53300 too_many_connections, 57P03 cannot_connect_now.
            let code = told.code().unwrap_or_default();
            let said = told.message();
            match code.as_ref() {
                "28P01" => format!(
                    "the PostgreSQL server at {at} does not take the password of {user}: correct it in the file of \
                     --database-password-file or in the database's address, or set it there (alter role)"
                ),
                code if code.starts_with("28") => format!(
                    "the PostgreSQL server at {at} does not let {user} in ({said}): correct the user in the database's \
                     address, or let it in (create role; pg_hba.conf)"
                ),
                "3D000" => format!(
                    "the PostgreSQL server at {at} has no database {database}: make it (createdb), or correct the \
                     database's address"
                ),
                "53300" => format!(
                    "the PostgreSQL server at {at} takes no further connection ({said}): give it more (max_connections)"
                ),
                "57P03" => format!("the PostgreSQL server at {at} is not ready ({said}): wait until it is"),
                _ => return Error::Database(error),
            }
        }
        _ => return Error::Database(error),
    })
}

/// A server that only follows another.
pub(super) fn standby(options: &PgConnectOptions) -> Error {
    Error::Unusable(format!(
        "the PostgreSQL server at {} is a standby, which only reads: name its primary in the database's address, or a proxy \
         that leads there",
        place(options)
    ))
}

fn place(options: &PgConnectOptions) -> String {
    options.get_socket().map_or_else(
        || format!("{}:{}", options.get_host(), options.get_port()),
        |socket| socket.display().to_string(),
    )
}
