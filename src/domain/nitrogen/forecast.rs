//! Level now, loss a day, when the minimum is reached.
