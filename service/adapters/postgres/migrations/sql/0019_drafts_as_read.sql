-- A draft's catalogue as this service holds it, deflated, so that opening a large one need not check every row of its
-- document again. `stated_by` names the code that wrote it; any other reads the document. Nothing is in it that could not
-- be made again.

ALTER TABLE catalogue_draft
    ADD COLUMN stated bytea,
    ADD COLUMN stated_by text CHECK (stated_by <> ''),
    ADD CHECK ((stated IS NULL) = (stated_by IS NULL));
ALTER TABLE catalogue_draft ALTER COLUMN stated SET STORAGE EXTERNAL;
