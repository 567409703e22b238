//! A sensor's many readings become one a day.
