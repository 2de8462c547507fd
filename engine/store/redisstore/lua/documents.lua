-- Stores the next versions of documents as one step if the newest of each is the expected one. Versions have no holes, so their number is the newest.
-- KEYS: heads of the newest versions by name, then for each document: its heads by version, its bodies by version.
-- ARGV: for each document: name, expected version, new version or 0 to store nothing, head, body.
-- Returns nothing if they were stored; else the position of the first document, from 0, that has another version, and that version.

-- Look before anything is written.
for i = 0, #ARGV / 5 - 1 do
  local newest = redis.call('HLEN', KEYS[2 * i + 2])
  if newest ~= tonumber(ARGV[5 * i + 2]) then
    return {i, newest}
  end
end

for i = 0, #ARGV / 5 - 1 do
  local version = ARGV[5 * i + 3]
  if version ~= '0' then
    redis.call('HSET', KEYS[2 * i + 3], version, ARGV[5 * i + 5])
    redis.call('HSET', KEYS[2 * i + 2], version, ARGV[5 * i + 4])
    redis.call('HSET', KEYS[1], ARGV[5 * i + 1], ARGV[5 * i + 4])
  end
end
return {}
