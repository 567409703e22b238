"""The round through the generated Python client, unchanged as openapi-python-client makes it.

    URL=... KEY=... PYTHONPATH=FOLDER python tests/clients/round.py OPENAPI

FOLDER holds the package `tankside_client`, made of the description in the file OPENAPI. Every module of it is loaded, and there
must be one for each operation.
"""

import datetime
import importlib
import json
import os
import pkgutil
import sys
import uuid

import tankside_client
from tankside_client import AuthenticatedClient
from tankside_client.api.animals import create_animal
from tankside_client.api.choosing import get_next_service
from tankside_client.api.herds import create_herd
from tankside_client.api.lots import create_lot
from tankside_client.api.services import create_service
from tankside_client.api.sires import create_sire
from tankside_client.api.stock import create_receipt, list_stock
from tankside_client.api.tanks import create_tank
from tankside_client.api.withdrawals import create_withdrawal, thaw_withdrawal
from tankside_client.models import (
    Animal,
    Herd,
    Lot,
    NewAnimal,
    NewHerd,
    NewLot,
    NewReceipt,
    NewService,
    NewSire,
    NewTank,
    NewThaw,
    NewWithdrawal,
    NextService,
    PlaceInput,
    Problem,
    SemenType,
    ServiceWithCautions,
    Sire,
    StockList,
    Tank,
    WithdrawalState,
    WithdrawalWithCautions,
)


def new_key():
    return str(uuid.uuid4())


def held(answer, kind):
    """What was answered, which must be of this kind."""
    assert isinstance(answer, kind), answer
    return answer


def load_everything(description):
    names = [module.name for module in pkgutil.walk_packages(tankside_client.__path__, "tankside_client.")]
    for name in names:
        importlib.import_module(name)
    with open(description, encoding="utf-8") as file:
        paths = json.load(file)["paths"].values()
    operations = {operation["operationId"] for path in paths for operation in path.values()}
    missing = operations - {name.rsplit(".", 1)[1] for name in names if name.startswith("tankside_client.api.")}
    assert operations and not missing, missing
    return len(operations)


def play(client):
    herd = held(create_herd.sync(client=client, body=NewHerd(name="Lower Meadow", time_zone="Europe/Vienna")), Herd)
    tank = held(create_tank.sync(client=client, body=NewTank(name="Dairy room", herd_id=herd.id, canisters=6)), Tank)
    sire = held(create_sire.sync(client=client, body=NewSire(name="Invented One", breed="HOL")), Sire)
    lot = held(
        create_lot.sync(
            client=client,
            body=NewLot(
                sire_id=sire.id,
                semen_type=SemenType.SEXED_FEMALE,
                straw_ml=0.25,
                collected_on=datetime.date(2024, 4, 26),
            ),
        ),
        Lot,
    )
    assert lot.straw_ml == 0.25 and lot.collected_on == datetime.date(2024, 4, 26), lot
    place = PlaceInput(tank_id=tank.id, canister=3, cane="B")
    receipt = NewReceipt(lot_id=lot.id, place=place, straws=10)
    create_receipt.sync_detailed(client=client, body=receipt, idempotency_key=new_key())
    animal = NewAnimal(herd_id=herd.id, number="412", born_on=datetime.date(2023, 5, 2))
    animal = held(create_animal.sync(client=client, body=animal), Animal)

    choice = held(get_next_service.sync(client=client, id=animal.id), NextService)
    assert choice.service_number == 1 and choice.semen_types == [SemenType.SEXED_FEMALE], choice
    assert choice.candidates[0].lot.id == lot.id and choice.candidates[0].place.canister == 3, choice

    # More straws than there are: the problem has members of its own beside the common ones.
    too_many = NewWithdrawal(animal_id=animal.id, lot_id=lot.id, straws=11)
    refused = create_withdrawal.sync_detailed(client=client, body=too_many, idempotency_key=new_key())
    problem = held(refused.parsed, Problem)
    assert refused.status_code == 409 and problem.status == 409, problem
    assert problem.to_dict()["type"] == "/problems/not-in-stock", problem
    assert problem.to_dict()["available"] == 10, problem

    # A retry with the same key is the same withdrawal.
    key = new_key()
    withdrawal = NewWithdrawal(animal_id=animal.id, sire_id=sire.id, technician="T. Example")
    taken = held(create_withdrawal.sync(client=client, body=withdrawal, idempotency_key=key), WithdrawalWithCautions)
    again = create_withdrawal.sync_detailed(client=client, body=withdrawal, idempotency_key=key)
    assert again.headers["idempotent-replayed"] == "true", again.headers
    assert held(again.parsed, WithdrawalWithCautions).id == taken.id
    assert taken.state == WithdrawalState.OUT and taken.thaw_started_at is None, taken
    thawing = held(
        thaw_withdrawal.sync(client=client, id=taken.id, body=NewThaw(bath_temp_c=35.6), idempotency_key=new_key()),
        WithdrawalWithCautions,
    )
    assert isinstance(thawing.use_by, datetime.datetime) and thawing.use_by.tzinfo is not None, thawing
    service = NewService(withdrawal_id=taken.id, technician="T. Example")
    service = held(create_service.sync(client=client, body=service, idempotency_key=new_key()), ServiceWithCautions)
    assert service.animal_id == animal.id and service.service_number == 1, service

    stock = held(list_stock.sync(client=client, lot_id=lot.id), StockList)
    assert stock.total_straws == 9 and len(stock.items) == 1, stock


def main():
    operations = load_everything(sys.argv[1])
    # An answer that the description does not know is an error here.
    client = AuthenticatedClient(os.environ["URL"], os.environ["KEY"], raise_on_unexpected_status=True)
    with client:
        play(client)
    print(f"Python: {operations} operations, the whole round")


if __name__ == "__main__":
    main()
