"""JSON: records, FHIR Bundles, IEEE 1752.1 and Open mHealth."""
