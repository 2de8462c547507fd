-- Appends entries to a journal as one step, each unless its idempotency key was used before.
-- KEYS: journal, then the idempotency keys.
-- ARGV: ms for which idempotency keys are kept, then for each entry: data, position among the idempotency keys or 0, fingerprint.
-- Returns for each entry its number as text and 1 if it was there already, else 0; or MISMATCH and the position of the entry.
-- An idempotency key holds number:fingerprint.

local numbers, prints = {}, {} -- by the name of the idempotency key

-- Look before anything is written.
for i = 2, #ARGV, 3 do
  local k = tonumber(ARGV[i + 1])
  if k > 0 then
    local name, print = KEYS[k + 1], ARGV[i + 2]
    if prints[name] == nil then
      local held = redis.call('GET', name)
      if held then
        local colon = string.find(held, ':', 1, true)
        numbers[name] = string.sub(held, 1, colon - 1)
        prints[name] = string.sub(held, colon + 1)
      else
        prints[name] = print -- the first entry of this call that has it
      end
    end
    if prints[name] ~= print then
      return {'MISMATCH', (i - 2) / 3}
    end
  end
end

local out = {}
for i = 2, #ARGV, 3 do
  local k = tonumber(ARGV[i + 1])
  local name = k > 0 and KEYS[k + 1]
  if name and numbers[name] then
    out[#out + 1] = numbers[name]
    out[#out + 1] = 1
  else
    local number = string.sub(redis.call('XADD', KEYS[1], '0-*', 'd', ARGV[i]), 3)
    if name then
      redis.call('SET', name, number .. ':' .. ARGV[i + 2], 'PX', ARGV[1])
      numbers[name] = number
    end
    out[#out + 1] = number
    out[#out + 1] = 0
  end
end
return out
