-- Version 2 to 3: a session can go on where another one was cut off.
ALTER TABLE session ADD COLUMN continues TEXT;
