-- Sets or deletes values as one step if each has the expected revision. A value is kept as REVISION:DATA.
-- KEYS: the last revision, the set of kinds, then for each value the hash of its kind.
-- ARGV: for each value: kind, key, the revision that it replaces (0: it must not exist, *: any), 1 to set or 0 to delete, data.
-- Returns the new revision and -1; or, if nothing was changed, the revision of the first value that has another one, and its position from 0.

-- Look before anything is written.
for i = 0, #ARGV / 5 - 1 do
  local expect = ARGV[5 * i + 3]
  if expect ~= '*' then
    local held = redis.call('HGET', KEYS[i + 3], ARGV[5 * i + 2])
    local revision = held and string.match(held, '^%d+') or '0'
    if revision ~= expect then
      return {revision, i}
    end
  end
end

local revision = tostring(redis.call('INCR', KEYS[1]))
for i = 0, #ARGV / 5 - 1 do
  if ARGV[5 * i + 4] == '1' then
    redis.call('HSET', KEYS[i + 3], ARGV[5 * i + 2], revision .. ':' .. ARGV[5 * i + 5])
    redis.call('SADD', KEYS[2], ARGV[5 * i + 1])
  else
    redis.call('HDEL', KEYS[i + 3], ARGV[5 * i + 2])
  end
end
return {revision, -1}
