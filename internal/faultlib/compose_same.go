package faultlib

import "slices"

// sameBeside checks that nothing but the measurement and its rows has changed.
func sameBeside(before *node, content []byte, id string) error {
	after := (&reader{nodes: nodesByPath{}}).parse(content)
	if after == nil || !alike(beside(before, id), beside(after, id)) {
		return errShape
	}
	return nil
}

// beside is a copy of the file's values without an own measurement and its rows.
func beside(root *node, id string) *node {
	out := *root
	out.Content = slices.Clone(root.Content)
	for i := 0; i+1 < len(out.Content); i += 2 {
		section := *out.Content[i+1]
		section.Content = slices.Clone(section.Content)
		switch out.Content[i].Value {
		case "measurements":
			if k := ownPlace(&section, id); k >= 0 {
				section.Content = slices.Delete(section.Content, k, k+1)
			}
		case "links":
			section.Content = withoutRows(section.Content, id)
		}
		out.Content[i+1] = &section
	}
	return &out
}

func withoutRows(pairs []*node, id string) []*node {
	var out []*node
	for i := 0; i+1 < len(pairs); i += 2 {
		entry := *pairs[i+1]
		entry.Content = nil
		for k := 0; k+1 < len(pairs[i+1].Content); k += 2 {
			key, v := pairs[i+1].Content[k], *pairs[i+1].Content[k+1]
			if key.Value == "outcomes" {
				v.Content = dropPair(v.Content, id)
				if len(v.Content) == 0 {
					continue
				}
			}
			entry.Content = append(entry.Content, key, &v)
		}
		if len(entry.Content) > 0 {
			out = append(out, pairs[i], &entry)
		}
	}
	return out
}

func dropPair(pairs []*node, key string) []*node {
	var out []*node
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i].Value != key {
			out = append(out, pairs[i], pairs[i+1])
		}
	}
	return out
}

func alike(a, b *node) bool {
	return a.Kind == b.Kind && a.Tag == b.Tag && a.Value == b.Value && a.Anchor == b.Anchor && slices.EqualFunc(a.Content, b.Content, alike)
}
