package api

import (
	"errors"
	"net/http"
	"time"

	"lintel/api/kit"
)

var (
	codeUnknownKey = kit.Code{Name: "unknown_key", Status: 404, Meaning: "There is no key of that name."}
	codeKeyExists  = kit.Code{Name: "key_exists", Status: 409, Meaning: "A key of that name exists or existed."}
	codeLastAdmin  = kit.Code{Name: "last_admin", Status: 409, Meaning: "The last key with the scope admin can't be revoked."}
)

// keyRoutes are the routes about API keys.
type keyRoutes struct{ *backend }

func (h keyRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/keys", Name: "listKeys", Group: "Keys", Summary: "List the keys, without their texts",
			About:  "A key that was rotated is there once for each of its texts.",
			Scopes: admin, AllSites: true, Answers: []kit.Answer{kit.OK("The keys, revoked ones included.", KeyList{})}, Handle: h.listKeys,
		}, {
			Method: "POST", Path: "/v1/keys", Name: "makeKey", Group: "Keys", Summary: "Make a key",
			About:  "The text is shown once. Sent again with its Idempotency-Key the answer comes without it.",
			Scopes: admin, AllSites: true, Keyed: true, Body: kit.JSON(KeyRequest{}),
			Answers: []kit.Answer{kit.Reply(201, "The key, with its text.", kit.JSON(KeyView{})...)},
			Codes:   []kit.Code{codeKeyExists}, Handle: h.makeKey,
		}, {
			Method: "POST", Path: "/v1/keys/{name}/rotate", Name: "rotateKey", Group: "Keys", Summary: "Give a key a new text",
			About: "Name, scopes and sites stay. The text from before works for the overlap on, so that nothing stops meanwhile. " +
				"The new text is shown once.",
			Scopes: admin, AllSites: true, Keyed: true, Body: kit.JSON(RotateRequest{}), BodyOptional: true,
			Answers: []kit.Answer{kit.Reply(201, "The key, with its new text.", kit.JSON(KeyView{})...)},
			Codes:   []kit.Code{codeUnknownKey}, Handle: h.rotateKey,
		}, {
			Method: "DELETE", Path: "/v1/keys/{name}", Name: "revokeKey", Group: "Keys", Summary: "Revoke a key",
			About:  "It ends on every node within a second.",
			Scopes: admin, AllSites: true, Answers: []kit.Answer{kit.Reply(204, "It is revoked.")},
			Codes: []kit.Code{codeUnknownKey, codeLastAdmin}, Handle: h.revokeKey,
		},
	}
}

// KeyRequest asks for a new key.
type KeyRequest struct {
	Name   string     `json:"name" jsonschema_description:"1 to 64 characters of a-z, 0-9, '-' and '_'. It names the holder in the journal and is not used again."`
	Scopes []string   `json:"scopes" jsonschema:"enum=reads,enum=sales,enum=count,enum=view,enum=metrics,enum=operate,enum=author,enum=admin"`
	Sites  []string   `json:"sites" jsonschema_description:"Ids of sites, or \"*\" for all."`
	Until  *time.Time `json:"until,omitempty" jsonschema_description:"When the key ends by itself. Default: never."`
}

// RotateRequest asks for a new text of a key.
type RotateRequest struct {
	Overlap *int `json:"overlap,omitempty" jsonschema:"minimum=0,maximum=7776000,default=86400" jsonschema_description:"For how many seconds the text from before works beside the new one."`
}

// KeyView is a key as answers show it.
type KeyView struct {
	Name     string     `json:"name"`
	Key      string     `json:"key,omitempty" jsonschema_description:"The text to send as Authorization: Bearer. Shown once, when the key is made."`
	Scopes   []string   `json:"scopes"`
	Sites    []string   `json:"sites"`
	Created  time.Time  `json:"created"`
	By       string     `json:"by"`
	Disabled *time.Time `json:"disabled,omitempty"`
	Until    *time.Time `json:"until,omitempty" jsonschema_description:"When it ends by itself."`
	Used     *time.Time `json:"last_used,omitempty" jsonschema_description:"When a request last carried it, in a listing: to the hour, where another node took that. Left out if none did."`
}

// KeyList is the answer to a listing of keys.
type KeyList struct {
	Keys []KeyView `json:"keys"`
}

func keyView(k *kit.Key) KeyView {
	return KeyView{Name: k.Name, Scopes: k.Scopes, Sites: k.Sites, Created: k.Created, By: k.By, Disabled: k.Disabled, Until: k.Until}
}

func (h keyRoutes) listKeys(c *kit.Call) error {
	keys, err := kit.ListKeys(c.Ctx(), h.store)
	if err != nil {
		return unavailable(err)
	}
	used, err := h.server.KeysUsed(c.Ctx())
	if err != nil {
		return unavailable(err)
	}
	list := KeyList{Keys: []KeyView{}}
	for i := range keys {
		v := keyView(&keys[i])
		v.Used = momentOf(used[keys[i].Hash])
		list.Keys = append(list.Keys, v)
	}
	return c.JSON(http.StatusOK, list)
}

func (h keyRoutes) makeKey(c *kit.Call) error {
	var req KeyRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	req.Scopes, req.Sites = unique(req.Scopes), unique(req.Sites)
	now := time.Now()
	text, err := kit.MintKeyUntil(c.Ctx(), h.store, req.Name, req.Scopes, req.Sites, req.Until, c.Key.Name, now)
	switch {
	case errors.Is(err, kit.ErrKeyExists):
		return kit.Problemf(codeKeyExists, "A key named %q exists or existed; names are not used again.", req.Name)
	case errors.Is(err, kit.ErrKeySpec):
		return kit.Problemf(kit.CodeInvalidBody, "%v.", err)
	case err != nil:
		return unavailable(err)
	}
	h.server.ForgetKeys()
	return answerKey(c, text, &kit.Key{Name: req.Name, Scopes: req.Scopes, Sites: req.Sites, Created: now.UTC().Truncate(time.Second),
		By: c.Key.Name, Until: req.Until})
}

// answerKey answers with a key that was just made.
func answerKey(c *kit.Call, text string, k *kit.Key) error {
	v := keyView(k)
	c.Replay = v // without the text, which is kept nowhere
	v.Key = text
	return c.JSON(http.StatusCreated, v)
}

// defaultOverlap is time enough to give the new text to whoever has the old one.
const defaultOverlap = 24 * time.Hour

func (h keyRoutes) rotateKey(c *kit.Call) error {
	var req RotateRequest
	if c.Request().ContentLength != 0 {
		if err := c.DecodeJSON(&req); err != nil {
			return err
		}
	}
	overlap := defaultOverlap
	if req.Overlap != nil {
		overlap = time.Duration(min(int64(*req.Overlap), int64(2*kit.MaxOverlap/time.Second))) * time.Second
	}
	text, k, err := kit.RotateKey(c.Ctx(), h.store, c.PathParam("name"), overlap, c.Key.Name, time.Now())
	switch {
	case errors.Is(err, kit.ErrUnknownKey):
		return kit.Problemf(codeUnknownKey, "No key that works has this name.")
	case errors.Is(err, kit.ErrKeySpec):
		return kit.Problemf(kit.CodeInvalidBody, "%v.", err)
	case err != nil:
		return unavailable(err)
	}
	h.server.ForgetKeys()
	return answerKey(c, text, &k)
}

func (h keyRoutes) revokeKey(c *kit.Call) error {
	name := c.PathParam("name")
	err := kit.RevokeKey(c.Ctx(), h.store, name, c.Key.Name, time.Now())
	switch {
	case errors.Is(err, kit.ErrUnknownKey):
		return kit.Problemf(codeUnknownKey, "No key that works has this name.")
	case errors.Is(err, kit.ErrLastAdmin):
		return kit.Problemf(codeLastAdmin, "It is the last key with the scope admin for all sites and without an end; make another one first.")
	case err != nil:
		return unavailable(err)
	}
	h.server.ForgetKeys()
	return c.NoContent(http.StatusNoContent)
}
