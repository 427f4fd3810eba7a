//! Stations of the named layouts.
