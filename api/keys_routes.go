package api

import (
	"errors"
	"net/http"
	"time"
)

// KeyRequest asks for a new key.
type KeyRequest struct {
	Name   string   `json:"name" jsonschema_description:"1 to 64 characters of a-z, 0-9, '-' and '_'. It names the holder in the journal and is not used again."`
	Scopes []string `json:"scopes" jsonschema:"enum=reads,enum=sales,enum=operate,enum=author,enum=admin"`
	Sites  []string `json:"sites" jsonschema_description:"Ids of sites, or \"*\" for all."`
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
}

// KeyList is the answer to a listing of keys.
type KeyList struct {
	Keys []KeyView `json:"keys"`
}

func (k *Key) view() KeyView {
	return KeyView{Name: k.Name, Scopes: k.Scopes, Sites: k.Sites, Created: k.Created, By: k.By, Disabled: k.Disabled}
}

func (c *call) listKeys() error {
	keys, err := ListKeys(c.Request().Context(), c.api.store)
	if err != nil {
		return unavailable(err)
	}
	list := KeyList{Keys: []KeyView{}}
	for i := range keys {
		list.Keys = append(list.Keys, keys[i].view())
	}
	return c.JSON(http.StatusOK, list)
}

func (c *call) makeKey() error {
	var req KeyRequest
	if err := c.decodeJSON(&req); err != nil {
		return err
	}
	req.Scopes, req.Sites = unique(req.Scopes), unique(req.Sites)
	now := c.api.opt.Now()
	text, err := MintKey(c.Request().Context(), c.api.store, req.Name, req.Scopes, req.Sites, c.key.Name, now)
	switch {
	case errors.Is(err, ErrKeyExists):
		return problemf(codeKeyExists, "A key named %q exists or existed; names are not used again.", req.Name)
	case errors.Is(err, errKeySpec):
		return problemf(codeInvalidBody, "%v.", err)
	case err != nil:
		return unavailable(err)
	}
	c.api.keys.forget()
	k := Key{Name: req.Name, Scopes: req.Scopes, Sites: req.Sites, Created: now.UTC().Truncate(time.Second), By: c.key.Name}
	v := k.view()
	c.replay = v // without the text, which is kept nowhere
	v.Key = text
	return c.JSON(http.StatusCreated, v)
}

func (c *call) revokeKey() error {
	name, err := c.pathValue("name")
	if err != nil {
		return err
	}
	err = RevokeKey(c.Request().Context(), c.api.store, name, c.key.Name, c.api.opt.Now())
	switch {
	case errors.Is(err, ErrUnknownKey):
		return problemf(codeUnknownKey, "No key that works has this name.")
	case errors.Is(err, ErrLastAdmin):
		return problemf(codeLastAdmin, "It is the last key with the scope admin for all sites; make another one first.")
	case err != nil:
		return unavailable(err)
	}
	c.api.keys.forget()
	return c.NoContent(http.StatusNoContent)
}
