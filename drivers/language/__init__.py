"""The profile language: fields, templates, state rules, checksums, profiles, their checker."""
