//! A bank of filters follows level and loss through the readings.
