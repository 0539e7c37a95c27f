"""Addresses of the cartridges and their kinds."""

from django.urls import URLPattern, path

from cartridges.views import shelf, shelf_specs

urlpatterns: list[URLPattern] = [
    path("cartridges/", shelf.shelf, name="shelf"),
    path("cartridges/buy/", shelf.buy, name="cartridge-buy"),
    path("cartridges/<int:cartridge>/", shelf.cartridge_change, name="cartridge-change"),
    path("cartridges/<int:cartridge>/discard/", shelf.cartridge_discard, name="cartridge-discard"),
    path("cartridges/<int:cartridge>/restore/", shelf.cartridge_restore, name="cartridge-restore"),
    path("cartridges/kinds/", shelf_specs.specs, name="specs"),
    path("cartridges/kinds/new/", shelf_specs.spec_new, name="spec-new"),
    path("cartridges/kinds/<int:spec>/", shelf_specs.spec, name="spec"),
    path("cartridges/kinds/<int:spec>/edit/", shelf_specs.spec_edit, name="spec-edit"),
    path("cartridges/kinds/<int:spec>/remove/", shelf_specs.spec_remove, name="spec-remove"),
]
