-- Stores the next version of a document if the newest is the expected one. Versions have no holes, so their number is the newest.
-- KEYS: heads of the newest versions by name, heads of this document by version, bodies of it by version.
-- ARGV: name, expected version, new version, head, body.
-- Returns -1 if it was stored, else the newest version.
local newest = redis.call('HLEN', KEYS[2])
if newest ~= tonumber(ARGV[2]) then
  return newest
end
redis.call('HSET', KEYS[3], ARGV[3], ARGV[5])
redis.call('HSET', KEYS[2], ARGV[3], ARGV[4])
redis.call('HSET', KEYS[1], ARGV[1], ARGV[4])
return -1
