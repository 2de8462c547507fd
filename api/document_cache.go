package api

import (
	"context"
	"errors"
	"maps"
	"slices"
	"sync"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/deliver"
	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/rules"
)

// ChannelsDocument is the name of the document that holds the channels, with their secrets.
const ChannelsDocument = "channels"

// knownCache keeps what was read of large or many documents, by their versions.
type knownCache struct {
	mu         sync.Mutex
	layouts    map[string]versioned[*layout.Layout]
	products   int // version
	categories []string
	attributes []string
}

type versioned[T any] struct {
	version int
	value   T
}

// allLayouts returns the newest layout of every site.
func (b *backend) allLayouts(ctx context.Context) ([]*layout.Layout, error) {
	docs, err := b.store.ListDocuments(ctx, engine.LayoutDocument(""))
	if err != nil {
		return nil, unavailable(err)
	}
	k := &b.known
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.layouts == nil {
		k.layouts = make(map[string]versioned[*layout.Layout])
	}
	list := make([]*layout.Layout, 0, len(docs))
	for _, d := range docs {
		if v, ok := k.layouts[d.Name]; ok && v.version == d.Version {
			list = append(list, v.value)
			continue
		}
		full, err := b.store.GetDocument(ctx, d.Name, 0)
		if err != nil {
			return nil, unavailable(err)
		}
		l, err := layout.Parse(full.Body)
		if err != nil {
			return nil, err
		}
		k.layouts[d.Name] = versioned[*layout.Layout]{full.Version, l}
		list = append(list, l)
	}
	return list, nil
}

// knownNames gathers what rules may name, for warnings: of all sites, since they share the rules.
func (b *backend) knownNames(ctx context.Context) (rules.Known, error) {
	layouts, err := b.allLayouts(ctx)
	if err != nil {
		return rules.Known{}, err
	}
	channels, err := b.channels(ctx)
	if err != nil {
		return rules.Known{}, err
	}
	known := knownOf(layouts, channels)
	known.Categories, known.Attributes, err = b.productNames(ctx)
	return known, err
}

// knownOf gathers what layouts and channels have that rules may name.
func knownOf(layouts []*layout.Layout, channels []deliver.Channel) rules.Known {
	var known rules.Known
	known.Sites = []string{}
	for _, l := range layouts {
		known.Sites = append(known.Sites, l.Site)
		for _, z := range l.Zones {
			known.Zones = append(known.Zones, z.ID)
			known.ZoneKinds = append(known.ZoneKinds, z.Kind.String())
		}
		for _, p := range l.ReadPoints {
			known.Readers = append(known.Readers, p.ID)
		}
	}
	known.Zones, known.ZoneKinds, known.Readers = unique(known.Zones), unique(known.ZoneKinds), unique(known.Readers)
	known.Channels = []string{} // no channel at all is known to be none
	for _, ch := range channels {
		known.Channels = append(known.Channels, ch.Name)
	}
	return known
}

func unique(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}

// productNames lists the categories and attributes of the products, nil if there are no products.
func (b *backend) productNames(ctx context.Context) (categories, attributes []string, err error) {
	version, err := b.newestVersion(ctx, engine.ProductsDocument)
	if err != nil || version == 0 {
		return nil, nil, err
	}
	k := &b.known
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.products == version {
		return k.categories, k.attributes, nil
	}
	d, err := b.store.GetDocument(ctx, engine.ProductsDocument, version)
	if err != nil {
		return nil, nil, unavailable(err)
	}
	products, err := catalog.ParseBinary(d.Body)
	if err != nil {
		return nil, nil, err
	}
	k.products = version
	k.categories, k.attributes = namesOf(products)
	return k.categories, k.attributes, nil
}

// namesOf lists the categories and attributes of products.
func namesOf(products *catalog.Catalog) (categories, attributes []string) {
	cats, attrs := make(map[string]bool), make(map[string]bool)
	for i := range products.Len() {
		p := products.At(i)
		cats[p.Category] = true
		for name := range p.Attributes {
			attrs[name] = true
		}
	}
	delete(cats, "")
	return slices.Sorted(maps.Keys(cats)), slices.Sorted(maps.Keys(attrs))
}

// channels returns the channels as they are stored, with their secrets.
func (b *backend) channels(ctx context.Context) ([]deliver.Channel, error) {
	d, err := b.store.GetDocument(ctx, ChannelsDocument, 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, unavailable(err)
	}
	return deliver.ParseChannels(d.Body)
}
