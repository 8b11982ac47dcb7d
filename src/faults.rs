//! Faults on purpose: what cards, links and power do to bytes. Tests and
//! rehearsals share them.
