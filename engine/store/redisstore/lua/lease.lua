-- Takes, renews or gives up a lease.
-- KEYS: lease. ARGV: owner, time in ms or 0 to give it up.
-- Returns 1 if the owner holds it now, else 0.
local owner = redis.call('GET', KEYS[1])
if owner and owner ~= ARGV[1] then
  return 0
end
if ARGV[2] == '0' then
  redis.call('DEL', KEYS[1])
  return 0
end
redis.call('SET', KEYS[1], ARGV[1], 'PX', ARGV[2])
return 1
