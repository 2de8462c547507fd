-- Drops the oldest entries of a journal, never past the cursor and at most ARGV[2] of them.
-- KEYS: cursor, journal, number of the last trimmed entry.
-- ARGV: number of the last entry to drop, most entries to drop.
-- Returns 1 if there is more to drop, else 0.
local done = tonumber(redis.call('GET', KEYS[3]) or '0')
local last = math.min(tonumber(ARGV[1]), tonumber(redis.call('GET', KEYS[1]) or '0'), done + redis.call('XLEN', KEYS[2]))
if last <= done then
  return 0
end
local step = math.min(last, done + tonumber(ARGV[2]))
redis.call('XTRIM', KEYS[2], 'MINID', '=', '0-' .. string.format('%.0f', step + 1))
redis.call('SET', KEYS[3], string.format('%.0f', step))
return step < last and 1 or 0
