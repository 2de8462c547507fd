-- Makes a journal that was never written start after a given entry, as if all before were trimmed.
-- KEYS: cursor, journal, number of the last trimmed entry. ARGV: number of the entry, at least 1.
-- Returns 1, or 0 if there is something already.
if redis.call('EXISTS', KEYS[1], KEYS[2], KEYS[3]) > 0 then
  return 0
end
redis.call('XADD', KEYS[2], '0-' .. ARGV[1], 'd', '')
redis.call('XTRIM', KEYS[2], 'MAXLEN', '=', 0)
redis.call('SET', KEYS[3], ARGV[1])
return 1
