-- Applies a commit as one step if the cursor is where it is expected.
-- KEYS: cursor, facts, versions of the kinds, then one hash of records for each kind that changes.
-- ARGV: the expected cursor, or empty for a commit that leaves it alone; the next cursor; number of facts; for each fact its id and data;
--       then for each kind: its name, number of deletes, number of writes, the keys to delete, and key and value of each write.
-- Returns OK; CONFLICT and the cursor; or FACTS if the first fact is not past the last one of the site.

-- unpack fails for lists of about 8,000; an even number keeps keys and values together.
local CHUNK = 7000

local function many(command, key, first, last)
  for i = first, last, CHUNK do
    redis.call(command, key, unpack(ARGV, i, math.min(i + CHUNK - 1, last)))
  end
end

if ARGV[1] ~= '' then
  local cursor = redis.call('GET', KEYS[1]) or '0'
  if cursor ~= ARGV[1] then
    return {'CONFLICT', cursor}
  end
end

-- The facts come first: the first of them is the only write that can be refused.
local at = 4
for n = 1, tonumber(ARGV[3]) do
  local reply = redis.pcall('XADD', KEYS[2], ARGV[at], 'd', ARGV[at + 1])
  if type(reply) == 'table' and reply.err then
    if n == 1 and string.find(reply.err, 'equal or smaller', 1, true) then
      return {'FACTS'}
    end
    return reply
  end
  at = at + 2
end

for k = 4, #KEYS do
  local deletes, writes = tonumber(ARGV[at + 1]), tonumber(ARGV[at + 2])
  redis.call('HINCRBY', KEYS[3], ARGV[at], 1)
  at = at + 3
  if deletes > 0 then
    many('HDEL', KEYS[k], at, at + deletes - 1)
    at = at + deletes
  end
  if writes > 0 then
    many('HSET', KEYS[k], at, at + 2 * writes - 1)
    at = at + 2 * writes
  end
end

if ARGV[1] ~= '' then
  redis.call('SET', KEYS[1], ARGV[2])
end
return {'OK'}
