-- The archive's schema, as numbered steps. A step that was applied anywhere is never changed: what comes later is a step of its own.
-- Each begins with a line "-- STEP number: what it brings". They run in one transaction each, under one lock for all instances.

-- STEP 1: journals, entries, checkpoints and what is wrong with them

-- One life of a journal of one gateway. Its checkpoints have the origin weighpost/SITE/INCARNATION.
CREATE TABLE archive.journals (
  journal     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  site        text NOT NULL,
  incarnation text NOT NULL,
  before      bigint REFERENCES archive.journals, -- the life that this one goes on from, where it says so
  first       bigint NOT NULL DEFAULT 1,          -- sequence of its own first entry: those before it are of the life before
  held        bigint NOT NULL DEFAULT 0,          -- entries 1 to this one are here without a gap, and hashed
  verified    bigint NOT NULL DEFAULT 0,          -- entries 1 to this one lead to the root of a checkpoint that the gateway has signed
  cosigned    bigint NOT NULL DEFAULT 0,          -- entries 1 to this one are under a checkpoint that the archive has co-signed
  dispute     text,                               -- what is wrong, in a sentence; while there is one nothing is co-signed
  disputed    timestamp with time zone,
  UNIQUE (site, incarnation)
);

-- One row an entry, once. The exact bytes are in entry; the other columns are for searching.
CREATE TABLE archive.entries (
  id         text PRIMARY KEY,                      -- site/incarnation/balance/number, the same for ever
  journal    bigint NOT NULL REFERENCES archive.journals,
  seq        bigint NOT NULL CHECK (seq > 0),       -- its place in the journal
  kind       text NOT NULL,                         -- weighing, result and so on
  at         timestamp with time zone NOT NULL,     -- when it happened, by its stamp; where it has none, when it came here
  balance    text,                                  -- NULL where it is about none
  clock      text,                                  -- checked, holdover or unchecked
  digits     text,                                  -- of a weighing or a result: as printed
  value      numeric,                               -- the same as a number
  unit       text,                                  -- UCUM code
  value_kind text,                                  -- gross, net, tare
  stability  text,
  person     text,                                  -- the first that the entry names; likewise the next four
  sample     text,
  method     text,
  run        text,
  lot        text,
  passed     boolean,                               -- whether every rule was passed; NULL where none judged
  late       boolean NOT NULL,                      -- it came after entries that are younger
  leaf       bytea NOT NULL,                        -- SHA-256 of 00 and entry: its leaf in the tree (RFC 6962 section 2.1)
  entry      bytea NOT NULL,                        -- the exact bytes
  received   timestamp with time zone NOT NULL DEFAULT now(),
  UNIQUE (journal, seq)
);
CREATE INDEX entries_at ON archive.entries (at, id);
CREATE INDEX entries_journal_at ON archive.entries (journal, at, id);
CREATE INDEX entries_balance ON archive.entries (balance, at, id) WHERE balance IS NOT NULL;
CREATE INDEX entries_person ON archive.entries (person, at, id) WHERE person IS NOT NULL;
CREATE INDEX entries_sample ON archive.entries (sample, at, id) WHERE sample IS NOT NULL;
CREATE INDEX entries_run ON archive.entries (run, at, id) WHERE run IS NOT NULL;

CREATE INDEX entries_restored ON archive.entries (journal, seq) WHERE kind = 'restored';

-- Hashes of whole subtrees of 256 leaves and more, so that the root at any size, and proofs, need few reads.
CREATE TABLE archive.nodes (
  journal bigint NOT NULL REFERENCES archive.journals,
  level   smallint NOT NULL CHECK (level >= 8),     -- the subtree has 2^level leaves
  n       bigint NOT NULL,                          -- its place on that level, from 0
  hash    bytea NOT NULL,
  PRIMARY KEY (journal, level, n)
);

-- Checkpoints as the gateways published them. Of good ones the newest of each journal stays; all others stay.
CREATE TABLE archive.checkpoints (
  digest   bytea PRIMARY KEY,                       -- SHA-256 of note
  journal  bigint NOT NULL REFERENCES archive.journals,
  size     bigint NOT NULL,
  place    bigint NOT NULL,                         -- its sequence in the stream: which was published first
  note     bytea NOT NULL,
  verdict  text,                                    -- NULL: it waits; good; or what is wrong with it, in a sentence
  received timestamp with time zone NOT NULL DEFAULT now()
);
CREATE INDEX checkpoints_waiting ON archive.checkpoints (journal, size) WHERE verdict IS NULL;
CREATE INDEX checkpoints_good ON archive.checkpoints (journal, size) WHERE verdict = 'good';

-- Keys that a trusted key has vouched for, in an entry of the journal. Those of the configuration are not here.
CREATE TABLE archive.keys (
  key     text PRIMARY KEY,                         -- NAME+HASH+BASE64
  vouched text NOT NULL,                            -- the key that vouched for it
  entry   text NOT NULL                             -- id of the entry that says so
);

-- Checkpoints with the archive's own signature line. Of each day (UTC) the last stays.
CREATE TABLE archive.cosignatures (
  journal   bigint NOT NULL REFERENCES archive.journals,
  size      bigint NOT NULL,
  note      bytea NOT NULL,
  at        timestamp with time zone NOT NULL,
  published timestamp with time zone,               -- when the stream acknowledged it
  PRIMARY KEY (journal, size)
);
CREATE INDEX cosignatures_unpublished ON archive.cosignatures (at) WHERE published IS NULL;

-- What does not fit, with its bytes: a second entry under one id or place, and messages that are no entries. Nothing here is removed.
CREATE TABLE archive.evidence (
  digest  bytea PRIMARY KEY,                        -- SHA-256 of subject, a zero byte, and bytes
  journal bigint REFERENCES archive.journals,       -- NULL where it belongs to none
  what    text NOT NULL,                            -- what is wrong, in a sentence
  subject text NOT NULL,
  place   bigint NOT NULL,                          -- its sequence in the stream
  bytes   bytea NOT NULL,
  found   timestamp with time zone NOT NULL DEFAULT now()
);
CREATE INDEX evidence_journal ON archive.evidence (journal, found);

-- Disputes that a person has settled.
CREATE TABLE archive.settlements (
  journal bigint NOT NULL REFERENCES archive.journals,
  dispute text NOT NULL,
  person  text NOT NULL,
  reason  text NOT NULL,
  at      timestamp with time zone NOT NULL DEFAULT now()
);

-- Journals about which something came that has not been looked at. Whoever has looked removes the rows that were there before.
CREATE TABLE archive.due (
  journal bigint NOT NULL REFERENCES archive.journals,
  place   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY
);
CREATE INDEX due_journal ON archive.due (journal);

-- For people who ask in SQL.
CREATE VIEW archive.weighings AS
  SELECT j.site, j.incarnation, e.id, e.seq, e.kind, e.at, e.balance, e.clock, e.digits, e.value, e.unit, e.value_kind, e.stability,
         e.person, e.sample, e.method, e.run, e.lot, e.passed, e.late, e.received, e.seq <= j.verified AS verified, j.dispute
  FROM archive.entries e JOIN archive.journals j USING (journal)
  WHERE e.kind IN ('weighing', 'result');
