//! Who may do what.

use crate::text_enum;

text_enum! {
    /// What a key's holder may do.
    Role {
        /// Read.
        Reader = "reader",
        /// Withdraw, thaw, serve, move stock, report what happened to an animal; read.
        Technician = "technician",
        /// Herd software: report animals and what happened to them; read.
        Integration = "integration",
        /// Everything, overrides and keys included.
        Manager = "manager",
    }
}
