"""Parity: what gives dead sectors of bundles and manifests back. FORMAT.md describes every byte."""
